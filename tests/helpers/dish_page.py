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
*ready* sounds the ready tone, once for each entry. Every step out of *ready* sounds 'not ready any more'. A wire that
loses readings is the exception: *ready* goes with each fault and is back with the next reading, but it sounds 'not
ready any more', and the dish's `probe-fault` comes to stand, only when nothing has come for 15 s.

```mermaid
stateDiagram-v2
    [*] --> unknown
"""

_TAIL = """```

## Is it formula?

A probe in a fist, in an armpit, under a warm tap or on a warm plate may read what formula should. What the readings can
tell is used: paste in an open bowl cools, and goes on cooling, by half a degree in a minute; a hand that holds a probe
warms it for minutes and then wavers, a tap is steady or swings, a plate warms. So a dish is ready only once its
readings have fallen as paste does, by at least 0.04 of its warmth over the room and half as much again as they ever
climbed; or have climbed for long while somebody stirred, as in a bath. Ordinary bowls have done that by the time their
uptake has passed (with `uptake_seconds` under two minutes a first dip has credit for two, so the tone may come before
the proof, and goes again without it). A probe that is lifted and comes back to where that paste must be by now is in
it.

**Paste that a bath holds at one level reads like a tap**, if the probe was not in it while it cooled. Then the dish
asks: *right for feeding, but is it formula?* One press answers: the batch button, `b` in `sensord watch`, or `sensord
batch`. A `batch` over the network does not; it starts a new bowl as always. The answer holds until the probe is lifted.

## What the tool cannot know

- **Warm water in a cup cools as paste does**, and so does a plate that was switched off; a hand, tap or plate whose
  reading happens to sink for a minute or two without having climbed before may pass. Of 80 simulated hands, 80 plates
  and 80 taps, ten minutes each, 8 taps were called ready, one for seven minutes (`python -m tests.fort.held_probes
  --count 240 --seed 2027`; before this was asked, a third of all). Look where the probe is before you believe it.
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
