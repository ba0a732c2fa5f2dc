"""The dashboard's promises at fixed sizes: what it must say, that it fits, and that nothing is said by colour alone."""

import io
from dataclasses import replace
from datetime import timedelta, timezone

import pytest
from rich.cells import cell_len
from rich.console import Console

from sensord.physics.conformity import Verdict
from sensord.physics.outlook import Outlook
from sensord.readings import Band, Interval
from sensord.screens.dashboard import dashboard, screen_lines, waiting
from sensord.screens.lines import snapshot_lines
from sensord.screens.page import ASCII, BLOCKS, Look, letters, letters_width, wrapped
from sensord.screens.ruler import Scale, mark_row, scale_row, slim_row, track_rows
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState, DishState
from sensord.watch.views import Snapshot, Trail
from tests.screens.invented import AWAY, COLD_BROODER, HOT, READY, SNAPSHOTS, alarm, brooder, dish, night

SIZES = [(80, 24), (200, 50), (120, 40), (100, 30), (60, 20), (40, 12), (20, 6)]


def shown(snapshot: Snapshot, look: Look | None = None) -> list[str]:
    """What a terminal without colour shows."""
    look = look or Look()
    stream = io.StringIO()
    console = Console(file=stream, width=look.width, height=look.height, color_system=None, legacy_windows=False)
    console.print(dashboard(snapshot, look))
    return stream.getvalue().splitlines()


def words(lines: list[str]) -> str:
    """Everything shown as one run of words, so that line breaks do not matter."""
    return " ".join(" ".join(lines).split())


@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII], ids=["blocks", "ascii"])
@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", SNAPSHOTS)
@pytest.mark.parametrize("stale", [None, 95.0], ids=["live", "stale"])
def test_it_fits_every_size(name: str, size: tuple[int, int], glyphs: object, stale: float | None) -> None:
    chosen = ASCII if glyphs is ASCII else BLOCKS
    look = Look(
        width=size[0], height=size[1], glyphs=chosen, chosen="brooder", stale_seconds=stale, remark="done", keys=True
    )
    lines = shown(SNAPSHOTS[name], look)
    assert len(lines) <= look.height
    assert max(cell_len(line) for line in lines) <= look.width
    assert glyphs is BLOCKS or all(line.isascii() for line in lines)


@pytest.mark.parametrize(
    ("name", "opening"),
    [
        ("ready", "YES, FEED NOW: dish is ready, 37.3 °C"),
        ("hot", "NOT YET: dish is too hot, 41.2 °C, ready in about 4 min"),
        ("uptake", "NOT YET: dish takes up water for 1:12 more"),
        ("cool", "NO: dish is too cool, 34.6 °C"),
        ("uneven", "NOT YET: dish is uneven, stir to the bottom"),
        ("unknown", "DO NOT FEED: nothing is known of dish"),
        ("away", "ALL RIGHT: brooder is in its band, 34.5 °C"),
        ("cold", "!!! BROODER DANGEROUSLY COLD, 31.4 °C"),
        ("ready-but-cold", "!!! BROODER DANGEROUSLY COLD, 31.4 °C"),
        ("shelved", "NOT RIGHT: brooder is too cold, 31.4 °C"),
        ("nothing", "WAITING: no dish is in use and no brooder is watched"),
        ("many", "YES, FEED NOW: dish-a is ready, 37.3 °C"),
    ],
)
def test_the_first_line_answers_the_question_of_the_moment(name: str, opening: str) -> None:
    assert shown(SNAPSHOTS[name])[0].startswith(f" {opening}")


@pytest.mark.parametrize("state", [state for state in DishState if state is not DishState.READY])
def test_only_a_ready_dish_is_called_fit_to_feed(state: DishState) -> None:
    lines = shown(night(dish(state, 37.0)))
    assert "FEED NOW" not in words(lines)
    assert "ready to feed" not in words(lines)


def test_a_stale_picture_says_so_and_shows_nothing_as_of_now() -> None:
    lines = shown(SNAPSHOTS["ready"], Look(stale_seconds=95.0))
    assert lines[0].startswith(" NO DATA SINCE 03:15:00, for 2 min: look at the chicks yourself")
    assert "FEED NOW" not in words(lines)
    assert "was ready to feed" in words(lines)
    assert BLOCKS.mark not in words(lines)
    assert "probes read" not in words(lines)


def test_a_stale_picture_without_a_clock_says_for_how_long() -> None:
    assert "NO DATA FOR 2 min" in shown(SNAPSHOTS["no-clock"], Look(stale_seconds=95.0))[0]


@pytest.mark.parametrize("size", [(80, 24), (200, 50)], ids=str)
@pytest.mark.parametrize("name", ["cold", "ready-but-cold", "paused", "unread", "many"])
def test_what_to_do_first_is_all_there_for_every_alarm_that_stands(name: str, size: tuple[int, int]) -> None:
    said = words(shown(SNAPSHOTS[name], Look(width=size[0], height=size[1], keys=True)))
    for view in SNAPSHOTS[name].alarms:
        assert view.do_first in said
        assert view.place in said


@pytest.mark.parametrize("condition", Condition)
def test_each_alarm_fits_a_small_screen_with_all_of_its_words(condition: Condition) -> None:
    view = alarm(condition, Priority.HIGH)
    lines = shown(night(HOT, COLD_BROODER, alarms=(view,)), Look(keys=True))
    assert view.seen in words(lines)
    assert view.do_first in words(lines)


def test_a_shelved_place_takes_one_line_and_names_what_stands() -> None:
    alarms = tuple(
        alarm(
            condition,
            Priority.LOW,
            state=AlarmState.SHELVED,
            shelved_left_seconds=240.0,
            standing=condition in standing,
        )
        for standing in [{Condition.TOO_COLD}]
        for condition in Condition
    )
    lines = shown(night(AWAY, alarms=alarms), Look(width=120, height=40))
    told = [line.strip() for line in lines if "shelved" in line]
    assert told[-1] == f"brooder: {len(alarms)} alarms shelved, back in 4:00 (standing: too cold)"
    assert len(told) == 2
    assert "shelved" in lines[0]


def test_a_hidden_alarm_is_named_but_does_not_shout() -> None:
    lines = shown(SNAPSHOTS["shelved"])
    assert "shelved, back in 4:00" in words(lines)
    assert SNAPSHOTS["shelved"].alarms[0].do_first not in words(lines)


def test_a_brooder_is_never_right_without_a_reading() -> None:
    lines = shown(night(AWAY, brooder(celsius=None)))
    assert lines[0].startswith(" NOT KNOWN: brooder has no reading")
    assert "ALL RIGHT" not in words(lines)


def test_one_wrong_brooder_among_many_is_the_answer() -> None:
    brooders = (brooder("doves"), brooder("swifts", None), brooder("quail"))
    assert (
        "swifts has no reading" in shown(Snapshot(unit="nursery", seconds=0.0, utc_seconds=None, brooders=brooders))[0]
    )


def test_a_dish_shows_its_band_with_source_its_verdict_and_its_times() -> None:
    said = words(shown(SNAPSHOTS["ready"], Look(width=100, height=40)))
    assert "feed at 36.0–38.0 °C (common practice, no source; ask your avian vet)" in said
    assert "in the band, 98 % sure" in said
    assert "open for 3:10 (2:30–4:00)" in said
    assert "37.3 °C ± 0.2" in said


@pytest.mark.parametrize("name", ["hot", "ready", "ready-but-cold", "uptake"])
def test_the_band_in_force_and_its_source_show_on_a_small_screen(name: str) -> None:
    said = words(shown(SNAPSHOTS[name], Look(keys=True)))
    assert "keep at 33.2–35.8 °C (your config)" in said
    assert "feed at 36.0–38.0 °C (comm" in said


def test_a_probability_is_never_rounded_up_to_certainty() -> None:
    said = words(shown(night(replace(READY, probability=0.99999))))
    assert "99 % sure" in said
    assert "100 %" not in said


def test_a_dish_in_its_band_but_not_proven_is_not_called_cool_beside_a_number_that_is_right() -> None:
    doubted = dish(
        DishState.COOL,
        37.1,
        verdict=Verdict.IN_NOT_PROVEN,
        probability=0.8,
        why="about 36.3 °C, but known only to 0.6 °C: stir, or wait",
        outlook=Outlook(ready_in_seconds=Interval(0.0, 0.0, 0.0)),
    )
    lines = shown(night(doubted))
    assert lines[0].startswith(" NOT YET: dish is perhaps too cool, 37.1 °C: stir")
    assert "perhaps too cool · in the band, not proven, 80 % sure" in words(lines)
    assert "ready in" not in words(lines)
    assert "dish: 37.1 °C, perhaps too cool" in "\n".join(snapshot_lines(night(doubted)))


def test_the_advice_is_shown_while_a_dish_is_off() -> None:
    assert f"→ {HOT.advice}" in words(shown(SNAPSHOTS["hot"]))


def test_a_faulty_probe_is_shown_with_its_count_and_its_remedy() -> None:
    said = words(shown(SNAPSHOTS["unknown"]))
    assert "probe dish-probe: crc error, 41 times so far" in said
    assert "Check the joints of the cable; keep it away from mains." in said


def test_trouble_of_the_watch_itself_is_shown() -> None:
    assert "mqtt does not work: no broker at 192.0.2.7" in words(shown(SNAPSHOTS["many"], Look(width=200, height=50)))
    assert "sound paused, back in 1:35" in words(shown(SNAPSHOTS["paused"]))
    assert "clock not set" in words(shown(SNAPSHOTS["no-clock"]))


def test_urgency_shows_without_colour() -> None:
    marks = {
        priority: words(shown(night(AWAY, alarms=(alarm(Condition.TOO_WARM, priority),)))) for priority in Priority
    }
    assert "!!! brooder too warm" in marks[Priority.HIGH]
    assert "!! brooder too warm" in marks[Priority.MEDIUM]
    assert "!!! brooder" not in marks[Priority.MEDIUM]
    assert "!! brooder" not in marks[Priority.LOW]


def test_the_time_is_the_keepers() -> None:
    zone = timezone(timedelta(hours=2))
    assert shown(SNAPSHOTS["ready"], Look(zone=zone))[0].rstrip().endswith("05:15:00")


def test_text_from_outside_cannot_move_the_cursor_or_break_the_width() -> None:
    nasty = "\x1b[2J\x07雛" + "鳥" * 60
    view = replace(READY, why=nasty, advice=nasty, band_source=nasty)
    lines = shown(night(view), Look(width=80, height=24))
    assert not any(character in line for line in lines for character in "\x1b\x07")
    assert max(cell_len(line) for line in lines) <= 80


def test_what_does_not_fit_is_counted() -> None:
    lines = shown(SNAPSHOTS["many"], Look(width=40, height=12))
    assert "more lines in a taller window" in words(lines)
    assert lines[0].startswith(" YES, FEED NOW")


def test_the_help_keeps_the_answer_in_sight() -> None:
    lines = shown(SNAPSHOTS["cold"], Look(help=True, keys=True))
    assert lines[0].startswith(" !!! BROODER DANGEROUSLY COLD")
    assert "shelve the alarms of the chosen place" in words(lines)


def test_before_the_first_picture_the_reason_is_shown() -> None:
    stream = io.StringIO()
    Console(file=stream, width=80, height=24, color_system=None).print(waiting("no daemon answers at X", Look()))
    assert "NO DATA YET" in stream.getvalue()
    assert "no daemon answers at X" in stream.getvalue()


SCALE = Scale(low_celsius=30.0, high_celsius=40.0, band=Band(34.0, 36.0), width=51)  # five cells a degree


def test_the_mark_stands_over_its_temperature_with_its_uncertainty() -> None:
    row = mark_row(SCALE, 35.0, 0.6, 36.2, "", BLOCKS).plain
    assert row.index(BLOCKS.mark) == 25
    assert (row.index(BLOCKS.left_end), row.index(BLOCKS.right_end)) == (22, 28)
    assert row.index(BLOCKS.estimate) == 31


@pytest.mark.parametrize(("celsius", "end"), [(20.0, 0), (60.0, 50)])
def test_a_reading_off_the_scale_points_where_it_is(celsius: float, end: int) -> None:
    row = mark_row(SCALE, celsius, 0.6, None, "", BLOCKS).plain
    assert row[end] in (BLOCKS.beyond_left, BLOCKS.beyond_right)
    assert len(row) == SCALE.width
    assert slim_row(SCALE, celsius, "", BLOCKS).plain[end] == row[end]


def test_numerals_stand_at_their_degrees_and_the_band_is_solid() -> None:
    row = scale_row(SCALE, BLOCKS).plain
    assert row[20:31] == "34███35███3"
    assert row[5:7] == "31"
    assert scale_row(SCALE, ASCII).plain[20:32] == "[4===35===]6"


def test_the_tracks_go_back_in_time_below_the_mark() -> None:
    trail = Trail(60.0, (*[31.0] * 10, *[35.0] * 10))
    rows = track_rows(SCALE, trail, 2, BLOCKS)
    assert [ago for ago, _ in rows] == [600.0, 1200.0]
    assert rows[0][1].plain[25] == BLOCKS.full
    assert rows[1][1].plain[5] == BLOCKS.full
    assert rows[1][1].plain[20] == BLOCKS.wall


def test_minutes_without_a_reading_leave_no_track() -> None:
    (_, row), *_ = track_rows(SCALE, Trail(60.0, (None,) * 10), 1, BLOCKS)
    assert row.plain.strip(f" {BLOCKS.wall}") == ""


def test_large_letters_are_as_wide_as_they_claim() -> None:
    for text in ("FEED NOW", "wait 1:12", "36.9", "~"):
        for scale in (1, 2):
            assert {len(row) for row in letters(text, BLOCKS, scale)} == {letters_width(text, scale)}


def test_words_are_wrapped_by_cells_not_characters() -> None:
    assert wrapped("雛鳥 雛鳥 雛鳥", 9) == ["雛鳥 雛鳥", "雛鳥"]
    assert wrapped("", 9) == [""]


def test_an_alarm_that_is_over_asks_for_nothing_but_a_word() -> None:
    over = alarm(Condition.TOO_COLD, Priority.MEDIUM, state=AlarmState.RETURNED_UNACKNOWLEDGED, standing=False)
    lines = shown(night(AWAY, alarms=(over,)))
    assert lines[0].startswith(" ALL RIGHT")
    assert "an alarm waits for you" in lines[0]
    assert "over again, not acknowledged" in words(lines)


def test_lines_are_the_same_for_the_same_snapshot() -> None:
    first, second = (screen_lines(SNAPSHOTS["many"], Look(width=120, height=40)) for _ in range(2))
    assert [line.markup for line in first] == [line.markup for line in second]


def test_an_acknowledged_alarm_tells_how_long_it_has_been_cold_and_the_headline_how_cold_it_is_now() -> None:
    seen_to = alarm(
        Condition.TOO_COLD,
        Priority.MEDIUM,
        state=AlarmState.ACKNOWLEDGED,
        began_seconds=night().seconds - 1500,
        since_seconds=night().seconds - 5,
        celsius=32.9,
    )
    lines = shown(night(AWAY, brooder(celsius=30.2), alarms=(seen_to,)))
    assert "BROODER TOO COLD, 30.2 °C" in lines[0]
    assert "brooder too cold for 25 min · acknowledged" in words(lines)


def test_an_alarm_that_is_over_tells_since_when() -> None:
    over = alarm(
        Condition.TOO_COLD,
        Priority.MEDIUM,
        state=AlarmState.RETURNED_UNACKNOWLEDGED,
        standing=False,
        began_seconds=night().seconds - 1500,
        since_seconds=night().seconds - 540,
    )
    assert "brooder too cold until 9 min ago · over again" in words(shown(night(AWAY, alarms=(over,))))


def test_what_is_to_be_done_first_stands_first_below_the_headline() -> None:
    gap, cold = alarm(Condition.POWER_GAP, Priority.MEDIUM), alarm(Condition.TOO_COLD, Priority.MEDIUM)
    lines = shown(night(AWAY, brooder(celsius=31.4), alarms=(gap, cold)), Look(width=40, height=12))
    assert "TOO COLD" in lines[0]
    assert "brooder too cold" in lines[1]
