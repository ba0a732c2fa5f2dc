"""Writes `docs/alarms.md` from the alarm table and the alarm words, so that the page says what the code does.

`python -m tests.helpers.alarms_page` prints it, `--write` puts it into place; a test compares the two.
"""

import sys
from pathlib import Path

from sensord.watch.alarms.alarm_table import HORN, LETTERS, TABLE, Happening
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmState

PAGE = Path(__file__).parents[2] / "docs/alarms.md"

_INTRODUCTION = """\
# Alarms

<!-- Written by `python -m tests.helpers.alarms_page --write` from the code; a test compares the two. -->

An alarm is about one condition of one place, such as `too-cold` of `brooder`. It follows the pattern of the
standards for alarm management (ISA-18.2, IEC 62682, OPC 10000-9), read in public copies; conformity is not claimed.
sensord warns. It is not a medical alarm system.

- **Acknowledge** says that you have noticed. The horn is silent, the alarm stays on the screen. If it still stands
  after half an hour (`alarms.rearm_seconds`), it sounds again; a short sound reminds you of it until then.
- **Shelve** hides the alarms of a place while the lid is open for a feed, for ten minutes at the most
  (`alarms.shelve_seconds`). Danger is never shelved, and a danger ends every shelf of its place. A shelf goes on after
  a restart of the daemon for what it had left, and ends with the power of the Pi.
- **Out of service** lasts until you put the alarm back. It can be done at the Pi only, with
  `sensord out-of-service` and `sensord return-to-service`, not over the network. A danger comes back by itself (below).
- **Pause** silences the horn for at most two minutes; whatever begins or comes back ends it.
- One excursion of the air is one alarm: where the air falls far, `dangerously-cold` stands in the place of
  `too-cold`.

## How long anything can be silent

- A danger sounds for at least ten seconds when it begins and each time it comes back, whatever is pressed or received.
- Each alarm whose cause lasts can be kept silent over the network for at most an hour from its first silence
  (`alarms.network_silence_seconds`), whether by one word or by a new one each second: acknowledged, paused, shelved and
  unshelved in turn, all of it counts. Then it sounds, and the network is refused, until somebody at the unit has
  answered it: with the button, `sensord acknowledge` or the dashboard.
- From the unit's own command line and dashboard it is four hours (`alarms.local_silence_seconds`), until somebody
  presses the button, or the cause is gone. That holds for a danger that is out of service too; of the other alarms,
  one whose probe is broken and will stay so can be taken out of service.
- The button has no such limit; each press silences for half an hour at most.
- A restart begins anew: what still stands sounds.

## The states
"""

_MEANINGS = {
    AlarmState.NORMAL: "nothing is wrong",
    AlarmState.UNACKNOWLEDGED: "the condition stands and nobody has noticed yet",
    AlarmState.ACKNOWLEDGED: "the condition stands and you know",
    AlarmState.RETURNED_UNACKNOWLEDGED: "it has gone before anybody noticed",
    AlarmState.LATCHED_UNACKNOWLEDGED: "it has gone, but is kept until you reset it; not noticed yet",
    AlarmState.LATCHED_ACKNOWLEDGED: "it has gone, is kept until you reset it, and you know",
    AlarmState.SHELVED: "hidden by you for a limited time",
    AlarmState.OUT_OF_SERVICE: "taken out by you until you put it back",
}


def page() -> str:
    """The whole page as Markdown."""
    lines = [_INTRODUCTION, "| letter | state | means | horn |", "|---|---|---|---|"]
    lines += [
        f"| {letter} | `{state}` | {_MEANINGS[state]} | {'on' if state in HORN else 'off'} |"
        for state, letter in LETTERS.items()
    ]
    lines += ["", "## What happens to an alarm", "", "Letters are the next state; `=` is no change.", ""]
    lines += ["| from | " + " | ".join(Happening) + " |", "|---|" + "---|" * len(Happening)]
    for state, letter in LETTERS.items():
        said = (TABLE[state, happening] for happening in Happening)
        cells = (LETTERS[each] if isinstance(each, AlarmState) else each for each in said)
        lines.append(f"| {letter} | " + " | ".join(cells) + " |")
    lines += ["", "## Every alarm, and what to do first", ""]
    for condition in Condition:
        lines += [f"**{condition}** ({condition.priority.word}): {condition.seen(None)} {condition.row.do_first}", ""]
    return "\n".join(lines)


if __name__ == "__main__":
    if "--write" in sys.argv:
        PAGE.write_text(page())
    else:
        print(page())
