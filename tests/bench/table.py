"""Rows of the benchmark page: ours beside another's, as a ratio, with the target where there is one."""

from dataclasses import dataclass

__all__ = ["Ratio", "show", "target"]


@dataclass(frozen=True, slots=True)
class Ratio:
    """One figure measured twice, ours and another's, in the unit that `name` ends with."""

    name: str
    ours: float
    other: float
    target: str = ""

    @property
    def ratio(self) -> float:
        return self.ours / self.other if self.other else float("nan")


def show(rows: list[Ratio]) -> None:
    """Print the rows as an aligned table."""
    width = max(len(row.name) for row in rows)
    print(f"{'figure':{width}}  {'ours':>9}  {'other':>9}  {'ratio':>7}  target")
    for row in rows:
        print(f"{row.name:{width}}  {row.ours:9.3f}  {row.other:9.3f}  {row.ratio:7.3f}  {row.target}")


def target(words: str, met: bool) -> bool:
    """Print whether a target is met, in the one form that the benchmark page collects."""
    print(f"target: {words}: {'met' if met else 'MISSED'}")
    return met
