"""The manual of calibrating: its table and its example are worked out by the code.

`python -m tests.commands.test_calibrating_manual` writes them anew.
"""

import argparse
import re
import tempfile
from pathlib import Path
from unittest import mock

from sensord.commands import calibrate as command
from sensord.physics.calibrating import Plateau, Point, calibrate, comparison_components, ice_components
from sensord.physics.conformity import acceptance_interval
from sensord.readings import Band
from tests.helpers.invented_probe import InventedKeeper, World

PAGE = Path(__file__).parents[2] / "docs" / "calibrating.md"
ROM = "28-0000072431ab"
CONFIG = f"""
[probes.dish-probe]
rom = "{ROM}"
place = "dish"

[dishes.dish]
probe = "dish-probe"
"""
STILL = [Plateau(0.3, 0.03, 31, 0.0)] * 2


def worth() -> str:
    """The rows of the table: each way with two immersions."""
    ice = Point(0.3, 0.0, ice_components(STILL))
    rows = [_row("as bought", 0.5), _row("ice point", calibrate([ice], 37.0).expanded_uncertainty)]
    for reference in (0.2, 0.1):
        warm = Point(37.3, 37.0, comparison_components(STILL, reference, 0.1))
        name = f"beside a reference good to {reference:g} °C"
        rows += [_row(f"comparison {name}", calibrate([warm], 37.0).expanded_uncertainty)]
        rows += [_row(f"ice and comparison {name}", calibrate([ice, warm], 37.0).expanded_uncertainty)]
    return "\n".join(rows)


def _row(way: str, expanded: float) -> str:
    window = acceptance_interval(Band(36.0, 38.0), expanded / 2)
    assert window is not None
    width = window.high_celsius - window.low_celsius
    return f"| {way} | {expanded:.2f} °C | {window.low_celsius:.2f}–{window.high_celsius:.2f} °C, {width:.2f} wide |"


def result() -> str:
    """What an invented keeper with an invented probe is told at the end."""
    world = World()
    keeper = InventedKeeper(world, {"reference read": "37.2", "Keep": "no"})
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "sensord.toml"
        config.write_text(CONFIG, encoding="utf-8")
        parser = argparse.ArgumentParser()
        command.arguments(parser)
        words = ["dish-probe", "--ice", "--compare", "--reference-uncertainty", "0.1", "--config", str(config)]
        with (
            mock.patch.object(command, "probe_at", side_effect=lambda *_: world.read()),
            mock.patch.object(command, "locate", return_value={ROM: Path("w1_bus_master1")}),
        ):
            command.calibrate_probe(parser.parse_args([*words, "--state", folder]), keeper, world.clock)
    return next(text for text in keeper.said if "Correction:" in text).strip()


def renewed(page: str) -> str:
    table = f"| way | uncertainty at 37 °C (k = 2) | usable window |\n|---|---|---|\n{worth()}"
    for name, content in (("worth", table), ("result", f"```\n{result()}\n```")):
        begin, end = f"<!-- {name} -->", f"<!-- /{name} -->"
        page = re.sub(f"{begin}.*{end}", lambda _, made=f"{begin}\n{content}\n{end}": made, page, flags=re.DOTALL)  # type: ignore[misc]
    return page


def test_table_and_example_are_what_the_code_says() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == renewed(page), "run `python -m tests.commands.test_calibrating_manual`"


def test_every_way_is_worth_more_than_none() -> None:
    widths = [float(row.rsplit(", ", 1)[1].split()[0]) for row in worth().splitlines()]
    assert widths[0] == min(widths)
    assert widths[-1] > widths[1]


if __name__ == "__main__":
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
