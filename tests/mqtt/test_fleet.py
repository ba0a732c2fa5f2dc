"""The fleet: what is kept of each unit, who comes first on the screen, and the command on a real broker."""

import json
import os
import pty
import subprocess
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from sensord.clock import SystemClock
from sensord.commands.fleet import FleetKeys
from sensord.mqtt.messages import Timing, Topics, states_of
from sensord.mqtt.units import FleetBook, UnitSeen
from sensord.physics.conformity import Verdict
from sensord.screens.fleet_screen import Finder, fleet_lines, fleet_words, told, unit_lines
from sensord.screens.page import ASCII, Look
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState, DishState
from sensord.watch.views import Snapshot
from tests.helpers.program import ROOT, SENSORD
from tests.mqtt.conftest import Daemon
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker, free_port, until
from tests.mqtt.world import TOPICS, alarm_view, snapshot

CLOCK = SystemClock()
NOW = 1_800_000_000.0
DANGER = replace(alarm_view(), condition=Condition.DANGEROUSLY_COLD, priority=Priority.HIGH)


def said(book: FleetBook, name: str, seen: Snapshot, utc: float = NOW, status: bytes | None = b"online") -> None:
    """Let a unit say all that it would."""
    topics = Topics("sensord", name)
    if status is not None:
        book.take(topics.status, status, utc)
    for state in states_of(seen, topics, Timing(seen.seconds, utc, True), frozenset(), 10.0):
        book.take(state.topic, state.payload(sequence=1).encoded(), utc)


def outside() -> Snapshot:
    now = snapshot()
    return replace(now, brooders=(replace(now.brooders[0], verdict=Verdict.OUT_OF_BAND, celsius=36.5),))


def station() -> FleetBook:
    book = FleetBook("sensord")
    said(book, "quiet", snapshot())
    said(book, "asks", snapshot(alarms=(alarm_view(),)))
    said(book, "gone", snapshot(), utc=NOW - 900, status=None)
    book.take("sensord/gone/status", b"offline", NOW)
    said(book, "ready", snapshot(dish=DishState.READY))
    said(book, "drifts", outside())
    said(book, "waits", snapshot(dish=DishState.HOT))
    said(book, "danger", snapshot(alarms=(DANGER,)))
    return book


LOOK = Look(width=80, height=24, keys=True)
EVERYONE = Finder()


def text(units: list[UnitSeen], look: Look = LOOK, finder: Finder = EVERYONE, trouble: str = "") -> list[str]:
    return [line.plain for line in fleet_lines(told(units, look.zone), look, finder, trouble)]


def test_danger_comes_first_then_who_is_silent_then_the_rest_by_urgency() -> None:
    order = [one.unit.name for one in told(station().units(NOW), LOOK.zone)]
    assert order == ["danger", "gone", "asks", "ready", "drifts", "waits", "quiet"]


def test_the_first_line_says_how_many_need_a_person_and_who_comes_first() -> None:
    first = text(station().units(NOW))[0]
    assert "5 OF 7 NEED YOU, danger first" in first
    assert "1 offline" in first
    calm = FleetBook("sensord")
    said(calm, "a", snapshot())
    said(calm, "b", snapshot())
    assert "ALL 2 UNITS ARE RIGHT" in text(calm.units(NOW))[0]


def test_a_silent_unit_says_since_when_and_never_shows_its_last_values_as_live() -> None:
    (gone,) = [unit for unit in station().units(NOW) if unit.name == "gone"]
    assert gone.stale_seconds == pytest.approx(900)
    (line,) = [row for row in text([gone]) if row.startswith("  gone")]
    assert "NO DATA SINCE 07:45:00, for 15 min" in line
    assert "34.5" not in line


def test_offline_heard_live_counts_from_that_moment() -> None:
    book = FleetBook("sensord")
    said(book, "a", snapshot(), utc=NOW - 900)
    book.take("sensord/a/status", b"offline", NOW - 60)
    assert book.units(NOW)[0].stale_seconds == pytest.approx(60)


def test_search_and_filter_find_by_name_and_by_what_is_wrong() -> None:
    units = station().units(NOW)

    def found(finder: Finder) -> list[str]:
        return [one.name for one in finder.found(told(units, LOOK.zone))]

    assert found(Finder(text="QUI")) == ["quiet"]
    assert found(Finder(text="dangerously")) == ["danger"]
    assert found(Finder(text="no data")) == ["gone"]
    assert found(Finder(text="feed now")) == ["ready"]
    assert found(Finder(needing=True)) == ["danger", "gone", "asks", "ready", "drifts"]
    assert "1 found" in text(units, finder=Finder(text="drif", needing=True))[1]


def test_hundreds_fit_and_the_chosen_one_is_always_in_sight() -> None:
    book = FleetBook("sensord")
    for number in range(400):
        said(book, f"unit-{number:03d}", snapshot())
    units = book.units(NOW)
    for chosen in ("unit-000", "unit-200", "unit-399"):
        rows = text(units, replace(LOOK, chosen=chosen))
        assert len(rows) <= 24
        assert any(f"► {chosen}" in row for row in rows)
    shown = sum(row.count("unit-") for row in text(units))
    assert f"{400 - shown} more below" in "\n".join(text(units))
    assert shown > 60


def test_a_flood_of_invented_units_and_topics_fills_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.mqtt.units.MOST_UNITS", 3)
    monkeypatch.setattr("sensord.mqtt.units.MOST_TOPICS", 5)
    book = FleetBook("sensord")
    said(book, "a", snapshot())
    for number in range(50):
        book.take(f"sensord/x{number}/status", b"online", NOW)
        state = states_of(snapshot(), TOPICS, Timing(0.0, NOW, True), frozenset(), 10.0)[0]
        book.take(f"sensord/a/dish/{number}", state.payload(sequence=1).encoded(), NOW)
        book.take("sensord/a/dish/large", b" " * 70_000 + state.payload(sequence=1).encoded(), NOW)
    (first, *others) = book.units(NOW)
    assert len(others) == 2
    assert len(first.snapshot.dishes) + len(first.snapshot.brooders) + len(first.snapshot.probes) == 5
    assert {brooder.name for brooder in first.snapshot.brooders} == {"brooder"}


def test_without_a_broker_nothing_is_called_right() -> None:
    rows = text(station().units(NOW), trouble="no broker at x:1883: nobody listens there")
    assert "NO BROKER: look at the chicks yourself" in rows[0]
    assert "nobody listens there" in rows[1]


def test_one_unit_is_shown_as_its_own_dashboard_shows_it() -> None:
    (danger,) = [unit for unit in station().units(NOW) if unit.name == "danger"]
    rows = [row.plain for row in unit_lines(danger, LOOK)]
    assert len(rows) == 24
    assert rows[0].strip() == "danger"
    assert "BROODER DANGEROUSLY COLD" in rows[1]
    assert any("Look at the heat source." in row for row in rows)
    assert "esc" in rows[-1]


def test_what_is_cleared_at_the_broker_goes_from_the_screen() -> None:
    book = FleetBook("sensord")
    said(book, "a", snapshot(alarms=(DANGER,)))
    for below in ("status", "dish/dish", "brooder/brooder", "alarm/brooder/dangerously-cold"):
        book.take(f"sensord/a/{below}", b"", NOW)
    assert book.units(NOW) == []


@pytest.mark.parametrize(
    "change", [{"time": "2027-13-99T99:99:99.000Z"}, {"since": "yesterday"}, {"priority": "none"}, {"state": "fine"}]
)
def test_a_message_that_only_looks_right_changes_nothing(change: dict[str, str]) -> None:
    book = station()
    before = book.units(NOW)
    state = states_of(snapshot(alarms=(DANGER,)), TOPICS, Timing(0.0, NOW, True), frozenset(), 10.0)[0]
    message = {**json.loads(state.payload(sequence=1).encoded()), **change}
    book.take("sensord/quiet/alarm/brooder/dangerously-cold", json.dumps(message).encode(), NOW)
    assert book.units(NOW) == before


@given(st.text(max_size=40), st.binary(max_size=60))
def test_nonsense_on_the_broker_changes_nothing(below: str, payload: bytes) -> None:
    book = station()
    before = [unit for unit in book.units(NOW) if unit.name == "quiet"]
    for kind in ("alarm/brooder/", "brooder/", "dish/", "probe/", ""):
        book.take(f"sensord/other/{kind}{below}", payload, NOW)
    assert [unit for unit in book.units(NOW) if unit.name == "quiet"] == before


@given(st.integers(20, 220), st.integers(5, 70), st.text(max_size=8), st.booleans())
def test_no_size_makes_lines_too_long_or_too_many(width: int, height: int, search: str, needing: bool) -> None:
    for glyphs in (LOOK.glyphs, ASCII):
        look = Look(width=width, height=height, glyphs=glyphs, keys=True, chosen="gone")
        rows = fleet_lines(told(station().units(NOW), look.zone), look, Finder(search, needing))
        assert len(rows) <= height
        assert all(cell_len(row.plain) <= width for row in rows)


def test_colour_never_carries_the_meaning_alone() -> None:
    words = fleet_words(told(station().units(NOW), LOOK.zone))
    assert words[0].startswith("danger  !!! ")
    assert "NO DATA" in words[1]
    assert words[3].split("  ")[1].strip().startswith("YES, FEED NOW") or "YES, FEED NOW" in words[3]


def test_keys_choose_search_and_look_in() -> None:
    keys, names = FleetKeys(), ["a", "b", "c"]
    for key in ("next", "next"):
        keys.press(key, names)
    assert keys.chosen == "b"
    keys.press("\n", names)
    assert keys.looking_into == "b"
    keys.press("next", names)
    assert keys.looking_into == "c"
    keys.press("\x1b", names)
    assert keys.looking_into == ""
    for key in "/coqx":
        keys.press(key, names)
    keys.press("\x7f", names)
    keys.press("\n", names)
    assert (keys.finder.text, keys.finder.typing, keys.quitting) == ("coq", False, False)
    keys.press("f", names)
    assert keys.finder.needing
    keys.press("q", names)
    assert keys.quitting


WATCH = [*SENSORD, "watch", "--fleet"]


def test_once_prints_every_unit_and_answers_with_the_exit_code(broker: Broker, daemon: Callable[..., Daemon]) -> None:
    nursery = daemon(broker.port)
    attic = daemon(broker.port, "attic")
    command = [*WATCH, "--broker", f"127.0.0.1:{broker.port}", "--once"]
    with Listener(broker.port) as listener:
        for one, name in ((nursery, "nursery"), (attic, "attic")):
            one.publisher.handle(snapshot(CLOCK.monotonic_seconds()))
            listener.wait(f"sensord/{name}/probe/paste")
        calm = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
        assert calm.returncode == 0, calm.stderr
        assert [line.split()[0] for line in calm.stdout.splitlines()] == ["attic", "nursery"]
        assert "ALL RIGHT: brooder is in its band, 34.5 °C" in calm.stdout

        attic.publisher.handle(snapshot(CLOCK.monotonic_seconds(), alarms=(alarm_view(AlarmState.UNACKNOWLEDGED),)))
        until(lambda: b'"active":true' in listener.wait("sensord/attic/alarm/brooder/too-cold")[-1].payload)
        wrong = subprocess.run([*command, "--json"], cwd=ROOT, capture_output=True, text=True, check=False)
        assert wrong.returncode == 1
        first = json.loads(wrong.stdout.splitlines()[0])
        assert (first["unit"], first["online"], first["alarms"]) == ("attic", True, ["brooder/too-cold"])


def test_no_broker_is_said_in_a_sentence_with_exit_code_2() -> None:
    done = subprocess.run(
        [*WATCH, "--broker", f"127.0.0.1:{free_port()}", "--once"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "nobody listens there" in done.stderr
    bad = subprocess.run([*WATCH, "--broker", "host:port"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert bad.returncode == 2
    assert "is not HOST:PORT" in bad.stderr


def test_on_a_terminal_it_draws_and_gives_the_terminal_back(broker: Broker, daemon: Callable[..., Daemon]) -> None:
    started = daemon(broker.port)
    started.publisher.handle(snapshot(CLOCK.monotonic_seconds()))
    master, slave = pty.openpty()
    environment = {**os.environ, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8", "COLUMNS": "80", "LINES": "24"}
    with subprocess.Popen(
        [*WATCH, "--broker", f"127.0.0.1:{broker.port}"], cwd=ROOT, stdin=slave, stdout=slave, stderr=slave,
        env=environment,
    ) as process:  # fmt: skip
        os.close(slave)
        seen = b""
        while b"THE ONLY UNIT IS RIGHT" not in seen:
            seen += os.read(master, 4096)
        os.write(master, b"q")
        try:
            while chunk := os.read(master, 4096):
                seen += chunk
        except OSError:
            pass  # how a pty says that the other end has closed
        assert process.wait(60) == 0
    os.close(master)
    assert b"\x1b[?1049h" in seen
    assert b"\x1b[?1049l" in seen.split(b"THE ONLY UNIT IS RIGHT")[-1]
