"""What an attack comes to: a row of the campaign's table."""

from dataclasses import dataclass

__all__ = ["HEAD", "FortRow"]

HEAD = (
    "| attack | how many | failures | longest silence of a standing danger | memory before, during, after"
    " | files and sockets open | seen |\n| --- | --- | --- | --- | --- | --- | --- |"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FortRow:
    """`failures` in words; memory in MB and handles before, during and after, where a daemon was attacked."""

    attack: str
    count: int
    failures: tuple[str, ...]
    seen: str = ""
    silence_seconds: float | None = None
    megabytes: tuple[float, float, float] | None = None
    handles: tuple[int, int, int] | None = None

    def __str__(self) -> str:
        silence = "" if self.silence_seconds is None else f"{self.silence_seconds:.0f} s"
        memory = "" if self.megabytes is None else ", ".join(f"{one:.1f}" for one in self.megabytes) + " MB"
        handles = "" if self.handles is None else ", ".join(map(str, self.handles))
        cells = [self.attack, f"{self.count:,}", str(len(self.failures)), silence, memory, handles, self.seen]
        return f"| {' | '.join(cells)} |"
