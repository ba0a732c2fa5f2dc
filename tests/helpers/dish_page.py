"""The page `docs/dish.md` is drawn from the table that decides: `python -m tests.helpers.dish_page --write`."""

import sys
from pathlib import Path

from sensord.watch.dish.dish_table import TABLE
from sensord.watch.effects import DishState

__all__ = ["PAGE", "page"]

PAGE = Path(__file__).parents[2] / "docs" / "dish.md"

_HEAD = """# How a dish is judged

*Drawn from `sensord/watch/dish/dish_table.py` by `python -m tests.helpers.dish_page --write`; a test compares the two.*

At every reading and at every tick the rows are gone through from the top, and **the first one that holds decides**.
There is no memory on which an old *ready* could survive: what speaks against it takes effect with the reading that
shows it.

| # | state | when | what the keeper is told |
|---|---|---|---|
"""

_BETWEEN = """
## From state to state

Any state can follow any other within one reading; the reason is always the row that now holds. Only the step into
*ready* sounds the ready tone, once for each entry. Every step out of *ready* sounds 'not ready any more'.

```mermaid
stateDiagram-v2
    [*] --> unknown
"""

_TAIL = """```

## What the tool cannot know

- **A probe pressed against the wall, or half out of the formula, reads the wall or the air as much as the paste.**
  At rest nothing in its readings tells. Stir: if the reading climbs back to where the paste was believed to be, the
  tip had lain in a cool spot, and for a minute the screen says so (the hub gets the event `wall`).
- **Right after a stir** the paste at the tip is within about 0.1 °C of the mean; after a minute 0.25 °C, after three
  0.65 °C. That is why the tool asks for a stir when the dish comes near its band, and why *ready* can go away while
  nobody touches the bowl: what is known of it blurs. Stir, and it is known again.
- **A probe as bought** may be wrong by half a degree. It is believed only with that in mind, so its window is
  narrower than that of a calibrated one: the screen shows both.
- The times ahead hold for the bowl left as it is. Where the formula will not get there on this course, it says so.

Readings of 43 °C and more in a dish that was called ready are a high-priority alarm whatever band is set. The tool
warns and never heats or cools. Always test a drop on the inside of your wrist, and when a chick has been fed too hot,
or will not empty its crop, call an avian vet.
"""


def page() -> str:
    """The page as it should be."""
    rows = [f"| {i} | **{row.state}** | {row.when} | {row.why} |" for i, row in enumerate(TABLE, 1)]
    arrows = [
        f"    unknown --> {state}: its row is the first to hold"
        for state in DishState
        if state is not DishState.UNKNOWN
    ]
    back = [
        f"    {state} --> unknown: a fault, silence, or a disturbance"
        for state in DishState
        if state is not DishState.UNKNOWN
    ]
    course = [
        "    away --> uptake: dip",
        "    uptake --> hot: uptake time passed",
        "    hot --> ready: cooled into the band, proven by two readings",
        "    ready --> cool: no longer proven to be warm enough",
        "    cool --> hot: hot water added",
        "    ready --> uneven: a stir showed a hot spot",
        "    ready --> old: the batch passed its limit",
        "    ready --> away: the probe was lifted",
    ]
    return _HEAD + "\n".join(rows) + "\n" + _BETWEEN + "\n".join([*arrows, *back, *course]) + "\n" + _TAIL


if __name__ == "__main__":
    if "--write" in sys.argv:
        PAGE.write_text(page())
    else:
        print(page())
