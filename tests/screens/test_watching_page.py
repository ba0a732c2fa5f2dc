"""The page on watching shows what the dashboard draws of the demo's evening, and names what it and the socket know.

Written anew by `python -m tests.screens.test_watching_page`.
"""

import re
from pathlib import Path

from sensord.config.sections import Config
from sensord.config.settings import nursery_settings
from sensord.control.control_wire import Code
from sensord.demo.scene import CONFIG, Scene
from sensord.readings import Reading
from sensord.screens.dashboard import HELP
from sensord.screens.page import Look
from sensord.watch.command_table import COMMANDS
from sensord.watch.events import Observed, Tick
from sensord.watch.nursery import snapshot, step
from sensord.watch.state import first_nursery
from sensord.watch.views import Snapshot
from tests.screens.test_dashboard import shown

PAGE = Path(__file__).parent.parent.parent / "docs" / "watching.md"
SCREEN = re.compile(r"(?<=<!-- screen -->\n```\n).*?(?=```\n<!-- end of screen -->)", re.DOTALL)


SHOWN_SECONDS = 240
EVENING_UTC_SECONDS = 1_795_402_800.0  # 2026-11-23 03:00 UTC


def evening(seconds: int) -> Snapshot:
    """What is seen so far into the demo's simulated evening, by the rules that are live everywhere."""
    settings = nursery_settings(Config.model_validate(CONFIG))
    names = {probe["rom"]: name for name, probe in CONFIG["probes"].items()}
    probes, nursery = Scene().probes, first_nursery(settings, 0.0)
    for second in range(seconds + 1):
        for probe in probes:
            reading = Reading(names[probe.rom], float(second), probe.celsius(float(second)))
            nursery, _ = step(settings, nursery, Observed(reading))
        nursery, _ = step(settings, nursery, Tick(float(second), EVENING_UTC_SECONDS + second))
    return snapshot(settings, nursery, float(seconds))


def drawn() -> str:
    lines = shown(evening(SHOWN_SECONDS), Look(keys=True, chosen="nest"))
    return "".join(f"{line.rstrip()}\n" for line in lines)


def test_the_screen_is_the_one_that_is_drawn() -> None:
    found = SCREEN.search(PAGE.read_text(encoding="utf-8"))
    assert found is not None
    assert found.group(0) == drawn(), "run `python -m tests.screens.test_watching_page`"


def test_every_key_verb_and_code_is_named() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for key, _ in HELP:
        assert f"`{key}`" in page
    for verb in COMMANDS:
        assert f"`{verb}`" in page
    for code in Code:
        assert f"| {code.value} |" in page


if __name__ == "__main__":
    PAGE.write_text(SCREEN.sub(lambda _: drawn(), PAGE.read_text(encoding="utf-8")), encoding="utf-8")
