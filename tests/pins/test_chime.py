"""The buzzer and the lamp on mock pins: what the pins did, and when, by a virtual clock."""

import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from sensord.clock import SystemClock
from sensord.config.loading import parse
from sensord.config.sections import ChimeSection
from sensord.errors import ConfigError, WiringError
from sensord.pins.chime import Chime
from sensord.pins.factory import open_factory
from sensord.watch.cues import Cue, Priority
from sensord.watch.effects import Alerting, Cued, DishChanged, DishState
from sensord.watch.sound.patterns import BREATH_SECONDS, CUES, every_sound
from tests.helpers.recorded_pins import Change, StepClock, beeps, recording_factory

BUZZER, LAMP, RED, GREEN, BLUE = 17, 22, 5, 6, 13
ROOT = Path(__file__).parents[2]


@dataclass
class Bench:
    """A chime on recording pins and a clock in our hands."""

    clock: StepClock = field(default_factory=StepClock)
    changes: list[Change] = field(default_factory=list)
    chime: Chime | None = None
    factory: Any = None

    def build(self, **keys: Any) -> Chime:
        self.factory, self.changes = recording_factory(self.clock)
        settings = {"kind": "active", "pin": BUZZER, "lamp_pin": LAMP, "self_test": False, **keys}
        self.chime = Chime(ChimeSection(**settings), self.clock, self.factory)
        return self.chime

    def heard(self, pin: int = BUZZER) -> list[tuple[float, float, float | None]]:
        return beeps(self.changes, pin)

    def level(self, pin: int) -> float:
        values = [change.value for change in self.changes if change.pin == pin]
        return values[-1] if values else 0.0

    def run(self, seconds: float) -> None:
        chime = self.chime
        assert chime
        self.clock.run(seconds, lambda: chime._next_seconds)

    def alert(self, priority: Priority | None, **keys: Any) -> None:
        assert self.chime
        keys = {"lamp": priority, "flashing": priority is not None, **keys}
        self.chime.handle(Alerting(seconds=self.clock.monotonic_seconds(), priority=priority, **keys))

    def cue(self, cue: Cue, dish: str = "dish") -> None:
        assert self.chime
        self.chime.handle(Cued(self.clock.monotonic_seconds(), cue, dish))


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    if made.chime is not None:
        made.chime.close()
    if made.factory is not None:
        made.factory.close()


# --- alarms -----------------------------------------------------------------------------------------------------------


def test_a_high_alarm_sounds_ten_pulses_within_the_ranges_of_the_standard(bench: Bench) -> None:
    # IEC 60601-1-8 Tables 3 and 4 (public copies): td 75-200 ms, x 50-125 ms, fifth to sixth 0.35-1.30 s, bursts
    # 2.5-15 s apart; third to fourth and eighth to ninth 2x + td (from memory).
    bench.build()
    bench.alert(Priority.HIGH)
    bench.run(20)
    pulses = bench.heard()
    assert len(pulses) >= 20
    starts = [start for start, _, _ in pulses]
    lengths = [length for _, length, _ in pulses]
    gaps = [starts[n + 1] - starts[n] - lengths[n] for n in range(10)]
    assert starts[0] == 0
    assert all(0.075 <= length <= 0.200 for length in lengths)
    assert all(0.050 <= gaps[n] <= 0.125 for n in (0, 1, 3, 5, 6, 8))
    assert [gaps[n] for n in (2, 7)] == pytest.approx([2 * gaps[0] + lengths[0]] * 2, abs=1e-4)
    assert 0.35 <= gaps[4] <= 1.30
    assert 2.5 <= gaps[9] <= 15


@pytest.mark.parametrize(
    ("priority", "count", "least_gap", "most_gap"), [(Priority.MEDIUM, 3, 2.5, 30), (Priority.LOW, 2, 15, 1e9)], ids=str
)
def test_lower_alarms_sound_their_pulses_within_the_ranges_of_the_standard(
    bench: Bench, priority: Priority, count: int, least_gap: float, most_gap: float
) -> None:
    # Same source: td and y 125-250 ms; low over 15 s apart; medium 2.5-30 s (from memory).
    bench.build()
    bench.alert(priority)
    bench.run(65)
    pulses = bench.heard()
    starts, lengths = [p[0] for p in pulses], [p[1] for p in pulses]
    gaps = [starts[n + 1] - starts[n] - lengths[n] for n in range(count)]
    assert all(0.125 <= length <= 0.250 for length in lengths)
    assert all(0.125 <= gap <= 0.250 for gap in gaps[:-1])
    assert least_gap <= gaps[-1] <= most_gap


def test_the_same_alarm_told_again_does_not_start_its_burst_anew(bench: Bench) -> None:
    bench.build()
    bench.alert(Priority.MEDIUM)
    for _ in range(20):
        bench.run(0.5)
        bench.alert(Priority.MEDIUM)
    starts = [start for start, _, _ in bench.heard()]
    assert starts == pytest.approx([0, 0.4, 0.8, 9.0, 9.4, 9.8], abs=1e-4)


def test_acknowledging_silences_in_the_middle_of_a_pulse(bench: Bench) -> None:
    bench.build()
    bench.alert(Priority.HIGH)
    bench.run(0.05)
    assert bench.level(BUZZER) == 1
    bench.alert(None, lamp=Priority.HIGH, flashing=False)
    assert bench.level(BUZZER) == 0
    bench.run(60)
    assert len(bench.heard()) == 1
    assert bench.level(LAMP) == 1


def test_a_worse_alarm_takes_over_at_once(bench: Bench) -> None:
    bench.build()
    bench.alert(Priority.LOW)
    bench.run(10)
    bench.alert(Priority.HIGH)
    assert bench.level(BUZZER) == 1
    bench.run(3.6)
    assert len(bench.heard()) == 12


def test_a_new_alarm_does_not_wait_for_the_rest_after_a_cue(bench: Bench) -> None:
    bench.build()
    bench.cue(Cue.CONFIRM)
    bench.run(0.3)
    bench.alert(Priority.MEDIUM)
    assert bench.level(BUZZER) == 1


def test_a_paused_horn_is_silent_while_the_lamp_says_so_and_comes_back_by_itself(bench: Bench) -> None:
    bench.build()
    bench.alert(None, lamp=Priority.MEDIUM, flashing=True, paused_until_seconds=120.0)
    bench.run(119)
    assert bench.heard() == []
    assert len(bench.heard(LAMP)) > 40
    bench.run(8)
    assert bench.heard()[0][0] == pytest.approx(125, abs=1e-4)


def test_the_end_of_a_pause_as_told_is_heard_at_once_and_only_then(bench: Bench) -> None:
    bench.build()
    bench.alert(None, lamp=Priority.HIGH, flashing=True, paused_until_seconds=120.0)
    bench.run(121)
    bench.alert(Priority.LOW, lamp=Priority.HIGH, flashing=True)
    bench.run(20)
    assert [start for start, _, _ in bench.heard()] == pytest.approx([121, 121.46], abs=1e-4)


def test_a_priority_is_heard_even_while_a_pause_stands(bench: Bench) -> None:
    bench.build()
    bench.alert(Priority.HIGH, paused_until_seconds=120.0)
    assert bench.level(BUZZER) == 1


def test_the_lamp_flashes_red_at_two_hertz_for_a_high_alarm(bench: Bench) -> None:
    bench.build(lamp_pin=None, lamp_pins=(RED, GREEN, BLUE))
    bench.alert(Priority.HIGH)
    bench.run(5.3)
    flashes = bench.heard(RED)
    assert len(flashes) == 11
    assert 1.4 <= 1 / (flashes[1][0] - flashes[0][0]) <= 2.8
    assert bench.heard(GREEN) == bench.heard(BLUE) == []


# --- cues -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cue", [cue for cue in Cue if cue is not Cue.SELF_TEST], ids=str)
def test_a_cue_is_played_once_as_written(bench: Bench, cue: Cue) -> None:
    bench.build(kind="passive")
    bench.cue(cue)
    bench.run(30)
    sound = CUES[cue]
    heard = bench.heard()
    assert [start for start, _, _ in heard] == pytest.approx(sound.onsets_seconds, abs=1e-4)
    assert [length for _, length, _ in heard] == pytest.approx([p.on_seconds for p in sound.pulses], abs=1e-4)
    assert [hertz for _, _, hertz in heard] == [p.hertz for p in sound.pulses]


def test_a_high_alarm_cuts_off_a_cue_and_keeps_a_breath_before_it_sounds(bench: Bench) -> None:
    bench.build()
    bench.cue(Cue.READY)
    bench.run(1.0)  # inside the long note
    assert bench.level(BUZZER) == 1
    bench.alert(Priority.HIGH)
    assert bench.level(BUZZER) == 0
    bench.run(4)
    assert bench.heard()[3][0] == pytest.approx(1.0 + BREATH_SECONDS, abs=1e-4)
    assert len(bench.heard()) == 3 + 10


def test_a_cue_waits_for_the_end_of_a_lower_burst(bench: Bench) -> None:
    bench.build()
    bench.alert(Priority.MEDIUM)
    bench.run(0.3)
    bench.cue(Cue.CONFIRM)
    bench.run(2)
    assert [start for start, _, _ in bench.heard()] == pytest.approx([0, 0.4, 0.8, 1.5], abs=1e-4)
    assert bench.heard()[-1][1] == pytest.approx(CUES[Cue.CONFIRM].pulses[0].on_seconds, abs=1e-4)


def test_a_cue_that_had_to_wait_too_long_is_not_played(bench: Bench) -> None:
    bench.build()
    bench.alert(Priority.HIGH)
    bench.cue(Cue.READY)
    bench.run(6)
    bench.alert(None)
    bench.run(30)
    assert all(length < 0.3 for _, length, _ in bench.heard())


def test_leaving_ready_cuts_off_the_ready_tone(bench: Bench) -> None:
    chime = bench.build()
    bench.cue(Cue.READY)
    bench.run(0.05)
    chime.handle(
        DishChanged(
            seconds=bench.clock.monotonic_seconds(),
            dish="dish",
            probe="dish",
            state=DishState.COOL,
            previous=DishState.READY,
        )
    )
    assert bench.level(BUZZER) == 0
    bench.run(10)
    assert len(bench.heard()) == 1


def test_another_dish_leaving_ready_does_not_cut_off_this_ones_tone(bench: Bench) -> None:
    chime = bench.build()
    bench.cue(Cue.READY, "left")
    chime.handle(DishChanged(seconds=0.0, dish="right", probe="right", state=DishState.COOL, previous=DishState.READY))
    bench.run(10)
    assert len(bench.heard()) == 6


def test_not_ready_replaces_a_ready_tone(bench: Bench) -> None:
    bench.build()
    bench.cue(Cue.READY)
    bench.run(1.0)
    bench.cue(Cue.NOT_READY)
    assert bench.level(BUZZER) == 0
    bench.run(10)
    assert len(bench.heard()) == 3 + len(CUES[Cue.NOT_READY].pulses)


def test_a_self_test_plays_every_sound_and_every_colour(bench: Bench) -> None:
    bench.build(lamp_pin=None, lamp_pins=(RED, GREEN, BLUE))
    bench.cue(Cue.SELF_TEST)
    bench.run(90)
    assert len(bench.heard()) == sum(len(sound.pulses) for sound in every_sound().values()) + 1
    assert all(bench.heard(pin) for pin in (RED, GREEN, BLUE))
    assert all(bench.level(pin) == 0 for pin in (BUZZER, RED, GREEN, BLUE))


@pytest.mark.parametrize("priority", Priority, ids=str)
def test_a_true_alarm_ends_a_self_test(bench: Bench, priority: Priority) -> None:
    bench.build()
    bench.cue(Cue.SELF_TEST)
    bench.run(2)
    bench.alert(priority)
    before = len(bench.heard())
    bench.run(2)
    assert 2 <= len(bench.heard()) - before <= 10
    bench.run(60)
    assert all(length < 0.3 for _, length, _ in bench.heard())


def test_a_true_cue_ends_a_self_test(bench: Bench) -> None:
    bench.build()
    bench.cue(Cue.SELF_TEST)
    bench.run(2)
    before = len(bench.heard())
    bench.cue(Cue.CONFIRM)
    bench.run(60)
    assert len(bench.heard()) - before <= 2


def test_the_start_is_told_by_one_tick_and_the_lamp_alone(bench: Bench) -> None:
    bench.build(self_test=True)
    bench.run(30)
    assert len(bench.heard()) == 1
    assert len(bench.heard(LAMP)) == 1


# --- parts ------------------------------------------------------------------------------------------------------------


def test_a_passive_buzzer_is_softer_at_night_but_never_for_a_high_alarm(bench: Bench) -> None:
    bench.build(kind="passive", night_level=0.25, night="00:00-23:59")
    bench.cue(Cue.CONFIRM)
    bench.run(5)
    bench.alert(Priority.HIGH)
    bench.run(5)
    soft, *loud = [change.value for change in bench.changes if change.pin == BUZZER and change.value]
    assert soft == pytest.approx(0.25 / 8)
    assert set(loud) == {1 / 8}


def test_without_a_trusted_clock_it_is_never_night(bench: Bench) -> None:
    bench.clock.trusted = False
    bench.build(kind="passive", night_level=0.25, night="00:00-23:59")
    bench.cue(Cue.CONFIRM)
    assert bench.level(BUZZER) == 1 / 8


def test_a_lamp_alone_needs_no_buzzer(bench: Bench) -> None:
    bench.build(kind="none", pin=None)
    bench.alert(Priority.HIGH)
    assert bench.level(LAMP) == 1


def test_nothing_at_all_needs_no_pins_and_no_thread() -> None:
    chime = Chime(ChimeSection(), SystemClock())
    chime.handle(Alerting(seconds=0.0, priority=Priority.HIGH))
    chime.close()


def test_closing_silences_at_once_and_for_good(bench: Bench) -> None:
    chime = bench.build()
    bench.alert(Priority.HIGH)
    assert bench.level(BUZZER) == 1
    chime.close()
    chime.close()
    assert bench.level(BUZZER) == bench.level(LAMP) == 0
    bench.alert(Priority.HIGH)
    assert bench.level(BUZZER) == 0


def test_a_pin_that_is_taken_is_named_and_the_other_pins_are_given_back(bench: Bench) -> None:
    with pytest.raises(WiringError, match=r"chime\.lamp_pin: GPIO 17 .* each pin can serve one part"):
        bench.build(lamp_pin=BUZZER)
    again = Chime(ChimeSection(kind="active", pin=BUZZER), bench.clock, bench.factory)
    again.close()


def test_a_part_that_fails_is_told_and_taken_up_again(bench: Bench) -> None:
    chime = bench.build()
    pin = bench.factory.pin(f"GPIO{BUZZER}")
    works, pin.__class__ = pin.__class__, _broken(pin.__class__)
    with pytest.raises(WiringError, match="the pins do not answer"):
        bench.alert(Priority.HIGH)
    with pytest.raises(WiringError):
        chime.handle(Cued(0.0, Cue.CONFIRM))
    pin.__class__ = works
    bench.run(12)
    assert len(bench.heard()) >= 10
    bench.alert(None)


def _broken(cls: type[Any]) -> type[Any]:
    class Broken(cls):  # type: ignore[misc]  # gpiozero ships no types
        def _change_state(self, value: float) -> bool:
            if value:
                raise RuntimeError("GPIO write failed")
            done: bool = super()._change_state(value)
            return done

    return Broken


@pytest.mark.parametrize("name", ["lgpio", "rpigpio", "pigpio", "native"])
def test_a_factory_that_cannot_be_opened_is_named_with_its_remedy(name: str) -> None:
    with pytest.raises(
        WiringError, match=f'^chime.factory: the pin factory "{name}" cannot be opened: .*(factory|kind) ='
    ):
        Chime(ChimeSection(kind="active", pin=BUZZER, factory=name), SystemClock())


def test_the_environment_may_name_the_factory_and_a_wrong_name_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "abacus")
    with pytest.raises(WiringError, match='"abacus" cannot be opened: no factory has that name: choose another'):
        open_factory(None, "chime.factory")


@pytest.mark.parametrize(
    ("error", "remedy"),
    [
        (PermissionError(13, "Permission denied", "/dev/gpiochip0"), "into the group gpio"),
        (RuntimeError("can not open gpiochip"), "into the group gpio, and check that /dev/gpiochip"),
        (OSError("daemon not reachable"), "choose another with factory ="),
    ],
    ids=["permission", "lgpio", "other"],
)
def test_a_factory_that_fails_says_what_to_do(monkeypatch: pytest.MonkeyPatch, error: Exception, remedy: str) -> None:
    def fails(_: str) -> None:
        raise error

    monkeypatch.setattr("sensord.pins.factory._made", fails)
    with pytest.raises(WiringError, match=remedy):
        open_factory("pigpio", "chime.factory")


def test_a_pin_that_another_program_holds_is_told_so(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy(*_: object, **__: object) -> None:
        raise RuntimeError("GPIO busy")

    monkeypatch.setattr("gpiozero.DigitalOutputDevice", busy)
    with pytest.raises(WiringError, match=r"chime\.pin: GPIO 17 cannot be used: .*another program holds it"):
        bench.build()


@pytest.mark.parametrize(
    ("keys", "refusal"),
    [
        ('kind = "active"\npin = 17\nnight_level = 0.5\nnight = "22:00-06:00"', "night_level: only a passive buzzer"),
        ('kind = "passive"\npin = 17\nnight_level = 0.5', "night_level: needs to know when night is"),
        ('kind = "passive"\npin = 17\nnight = "22:00-25:00"', "night: give from when to when, such as 22:00-06:30"),
    ],
    ids=["active", "no night", "hours"],
)
def test_a_night_level_that_cannot_work_refuses_the_config(keys: str, refusal: str) -> None:
    with pytest.raises(ConfigError, match=refusal):
        parse(f"[chime]\n{keys}\n", "sensord.toml")


# --- the end of the process -------------------------------------------------------------------------------------------

_PROCESS = """
    import signal, sys, threading
    from pathlib import Path
    from gpiozero.pins.mock import MockFactory, MockPWMPin
    from sensord.clock import SystemClock
    from sensord.config.sections import ChimeSection
    from sensord.pins.chime import Chime
    from sensord.watch.effects import Alerting, Priority

    class Pin(MockPWMPin):
        def _change_state(self, value):
            changed = super()._change_state(value)
            if changed:
                with open(sys.argv[1], "a") as log:
                    log.write(f"{self.info.name} {float(value)}\\n")
            return changed

    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a test run in the background inherits "ignore"
    section = ChimeSection(kind=sys.argv[2], pin=17, lamp_pin=22, self_test=False)
    chime = Chime(section, SystemClock(), MockFactory(pin_class=Pin))
    chime.handle(Alerting(seconds=0.0, priority=Priority.HIGH, lamp=Priority.HIGH, flashing=True))
    if sys.argv[3] == "crash":
        raise RuntimeError("something else broke")
    if sys.argv[3] == "wait":
        print("sounding", flush=True)
        threading.Event().wait(30)
"""


@pytest.mark.parametrize("kind", ["active", "passive"])
@pytest.mark.parametrize("end", ["exit", "crash", "SIGTERM", "SIGINT"])
def test_nothing_is_left_sounding_after_the_process_ends(tmp_path: Path, kind: str, end: str) -> None:
    log = tmp_path / "pins"
    how = "wait" if end.startswith("SIG") else end
    command = [sys.executable, "-c", textwrap.dedent(_PROCESS), str(log), kind, how]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment) as process:
        assert process.stdout
        if how == "wait":
            assert process.stdout.readline() == b"sounding\n"
            process.send_signal(signal.Signals[end])
        process.wait(60)
    levels = dict(line.split() for line in log.read_text().splitlines())
    assert "GPIO17 " in log.read_text()
    assert {pin: float(level) for pin, level in levels.items()} == {"GPIO17": 0.0, "GPIO22": 0.0}
