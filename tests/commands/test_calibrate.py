"""`sensord calibrate` with an invented keeper: what is asked, what is kept, and that leaving changes nothing."""

import argparse
import io
import json
import os
import pty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.clock import FastClock
from sensord.commands import calibrate as command
from sensord.commands.calibrate import calibrate_probe
from sensord.commands.calibration_session import Terminal
from sensord.config.loading import parse
from sensord.demo.fake_tree import FakeProbe
from sensord.errors import CommandError, DataError, StorageError, WiringError
from sensord.probes.calibrations import FILE_NAME, Kind, Record, calibrated_settings, keep_record, past_records
from sensord.probes.scratchpad import Decoded
from sensord.readings import FaultKind
from tests.helpers.failing_tree import FailingTree, Failure
from tests.helpers.fake_clock import FakeClock
from tests.helpers.invented_probe import WARM, InventedKeeper, World

ROM = "28-0000072431ab"
CONFIG = f"""
[probes.paste]
rom = "{ROM}"
place = "dish"

[dishes.dish]
probe = "paste"
"""


@pytest.fixture
def world(monkeypatch: pytest.MonkeyPatch) -> World:
    invented = World()
    monkeypatch.setattr(command, "probe_at", lambda *_: invented.read())
    monkeypatch.setattr(command, "locate", lambda _: {ROM: Path("w1_bus_master1")})
    return invented


@pytest.fixture
def options(tmp_path: Path) -> Callable[..., argparse.Namespace]:
    config = tmp_path / "sensord.toml"
    config.write_text(CONFIG, encoding="utf-8")

    def made(*words: str) -> argparse.Namespace:
        parser = argparse.ArgumentParser()
        command.arguments(parser)
        return parser.parse_args(["paste", "--config", str(config), "--state", str(tmp_path / "state"), *words])

    return made


@pytest.fixture
def stored(tmp_path: Path) -> Path:
    return tmp_path / "state" / FILE_NAME


Options = Callable[..., argparse.Namespace]


class Prompted(io.StringIO):
    """A screen before which somebody answers as soon as a question stands on it."""

    def __init__(self, answer: Callable[[], object]) -> None:
        super().__init__()
        self._answer = answer

    def flush(self) -> None:
        self._answer()


def test_an_ice_point_is_kept_with_its_budget_and_due_date(world: World, options: Options, stored: Path) -> None:
    keeper = InventedKeeper(world, {"Keep": "yes"})
    assert calibrate_probe(options("--ice"), keeper, world.clock) == 0
    (record,) = past_records(stored.parent)
    assert record.kind is Kind.ICE
    assert record.offset_celsius == pytest.approx(-0.31, abs=0.04)
    assert record.gain == 1.0
    assert record.expanded_uncertainty_celsius is not None
    assert 0.2 < record.expanded_uncertainty_celsius < 0.5
    assert record.due is not None
    assert (record.due - record.taken.date()).days == 182
    assert {line.name for line in record.budget} >= {
        "ice bath",
        "step of the probe",
        "repeatability",
        "drift until due",
    }
    assert "Usable window in 36.0–38.0 °C" in keeper.text
    assert sum("press Enter" in question for question in keeper.asked) == 2


def test_ice_and_comparison_give_two_points_and_a_wider_window(world: World, options: Options, stored: Path) -> None:
    answers: dict[str, str | list[str] | type[BaseException]] = {
        "reference read": "37.2",
        "reference, ±": "0,1",
        "Keep": "yes",
    }
    keeper = InventedKeeper(world, answers)
    assert calibrate_probe(options("--ice", "--compare"), keeper, world.clock) == 0
    (record,) = past_records(stored.parent)
    assert record.kind is Kind.TWO_POINT
    assert record.gain is not None
    assert record.offset_celsius is not None
    assert record.gain * (WARM + 0.31) + record.offset_celsius == pytest.approx(WARM, abs=0.05)
    assert record.expanded_uncertainty_celsius is not None
    assert record.expanded_uncertainty_celsius < 0.3


def test_wrong_answers_are_met_with_a_sentence_and_asked_again(world: World, options: Options, stored: Path) -> None:
    answers: dict[str, str | list[str] | type[BaseException]] = {
        "reference, ±": ["good", "-1", "9", "0.1"],
        "reference read": ["warm", "98.6", "back", "34", "37.2", "37.2"],
        "Keep": ["perhaps", "yes"],
    }
    keeper = InventedKeeper(world, answers)
    assert calibrate_probe(options("--compare", "--repeats", "2"), keeper, world.clock) == 0
    assert "'good' is no number from 0.01 to 0.5 °C" in keeper.text
    assert "'warm' is no temperature" in keeper.text
    assert "98.6 °C is not near 37 °C" in keeper.text
    assert "If 34 is right, type it once more" in keeper.text
    assert "'perhaps' is neither yes nor no" in keeper.text
    (record,) = past_records(stored.parent)
    assert record.kind is Kind.COMPARISON
    assert record.points[0].true_celsius == pytest.approx(37.2)


@pytest.mark.parametrize("how", [KeyboardInterrupt, CommandError])
def test_leaving_at_a_prompt_leaves_things_as_they_were(
    how: type[BaseException], world: World, options: Options, stored: Path
) -> None:
    keep_record(stored.parent, an_old_record())
    before = stored.read_bytes()
    keeper = InventedKeeper(world, {"Keep": how})
    if how is KeyboardInterrupt:
        with pytest.raises(KeyboardInterrupt):
            calibrate_probe(options("--ice"), keeper, world.clock)
    else:
        assert calibrate_probe(options("--ice"), keeper, world.clock) == 1
    assert "othing was changed" in keeper.text
    assert stored.read_bytes() == before


def test_ctrl_c_while_reading_leaves_things_as_they_were(
    world: World, options: Options, stored: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> Decoded:
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "probe_at", interrupted)
    with pytest.raises(KeyboardInterrupt):
        calibrate_probe(options("--ice"), InventedKeeper(world, {}), world.clock)
    assert not stored.exists()


@pytest.mark.parametrize("answer", ["no", "stop"])
def test_a_result_that_is_not_wanted_is_not_kept(answer: str, world: World, options: Options, stored: Path) -> None:
    keeper = InventedKeeper(world, {"Keep": answer})
    assert calibrate_probe(options("--ice"), keeper, world.clock) == 1
    assert "nothing was changed" in keeper.text
    assert not stored.exists()


def test_a_bath_that_never_settles_is_refused_with_the_reason(world: World, options: Options, stored: Path) -> None:
    world.tau = 5000.0
    keeper = InventedKeeper(world, {"Try it again": ["what?", "yes", "no"]})
    assert calibrate_probe(options("--ice"), keeper, world.clock) == 1
    assert keeper.text.count("did not settle in the ice within 15 minutes: still falling") == 2
    assert "'what?' is neither yes nor no" in keeper.text
    assert "No calibration: given up. Nothing was changed." in keeper.text
    assert not stored.exists()


def test_a_probe_that_fails_too_often_is_refused(world: World, options: Options, stored: Path) -> None:
    world.fault = FaultKind.CRC_ERROR
    keeper = InventedKeeper(world, {"Try it again": "no"})
    assert calibrate_probe(options("--ice"), keeper, world.clock) == 1
    assert "the probe failed 8 times (crc_error)" in keeper.text
    assert not stored.exists()


def test_a_probe_plugged_in_again_goes_on_with_the_immersions_that_count(
    world: World, options: Options, stored: Path
) -> None:
    class Clumsy(InventedKeeper):
        """Pulls the plug at the second immersion, and puts it back."""

        def ask(self, question: str) -> str:
            if "stir the ice" in question:
                world.fault = FaultKind.NO_RESPONSE if "Try it again? [yes/no] " not in self.asked else None
            return super().ask(question)

    keeper = Clumsy(world, {"Try it again": "yes", "Keep": "yes"})
    assert calibrate_probe(options("--ice"), keeper, world.clock) == 0
    assert keeper.text.count("the probe failed 8 times (no_response)") == 1
    assert keeper.text.count("Settled at") == 2
    assert past_records(stored.parent)[0].offset_celsius == pytest.approx(-0.31, abs=0.03)


def test_a_probe_that_is_not_in_the_ice_at_all_is_told_at_once(world: World, options: Options, stored: Path) -> None:
    class Forgetful(InventedKeeper):
        """Leaves the probe on the table the first time."""

        def ask(self, question: str) -> str:
            answer = super().ask(question)
            if len(self.asked) == 1:
                world.medium = 21.0
            return answer

    keeper = Forgetful(world, {"Try it again": "yes", "Keep": "yes"})
    assert calibrate_probe(options("--ice"), keeper, world.clock) == 0
    assert "off at 0.0 °C: no working probe does" in keeper.text
    assert past_records(stored.parent)[0].offset_celsius == pytest.approx(-0.31, abs=0.03)


def test_a_disk_that_is_full_at_the_end_does_not_cost_the_result(
    world: World, options: Options, stored: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refusals = [StorageError("the disk is full"), StorageError("the disk is full")]

    def full(folder: Path, record: Record) -> Path:
        if refusals:
            raise refusals.pop()
        return keep_record(folder, record)

    monkeypatch.setattr(command, "keep_record", full)
    keeper = InventedKeeper(world, {"again to keep": "yes", "Keep": "yes"})
    assert calibrate_probe(options("--ice"), keeper, world.clock) == 0
    assert keeper.text.count("the disk is full.") == 2
    assert len(past_records(stored.parent)) == 1


@pytest.mark.parametrize(
    ("typed", "true", "step"), [("37,20", 37.2, 0.01), ("37.2 °C", 37.2, 0.1), ("+37.2c", 37.2, 0.1), ("37", 37.0, 1.0)]
)
def test_a_reference_is_read_as_people_write_it_and_its_step_with_it(
    typed: str, true: float, step: float, world: World, options: Options, stored: Path
) -> None:
    keeper = InventedKeeper(world, {"reference read": typed, "Keep": "yes"})
    assert calibrate_probe(options("--compare", "--reference-uncertainty", "0,1"), keeper, world.clock) == 0
    (record,) = past_records(stored.parent)
    assert record.points[0].true_celsius == pytest.approx(true)
    (line,) = [line for line in record.budget if line.name == "reference display"]
    assert line.u_celsius == pytest.approx(step / 12**0.5, rel=0.01)


@pytest.mark.parametrize("typed", ["3.7e1", "nan", "inf", "36,9,1", "3_7", "٣٧", "37 F", "--37"])
def test_what_is_no_temperature_is_asked_again(typed: str, world: World, options: Options, stored: Path) -> None:
    keeper = InventedKeeper(world, {"reference read": [typed, "stop"]})
    assert calibrate_probe(options("--compare", "--reference-uncertainty", "0.1"), keeper, world.clock) == 1
    assert f"'{typed}' is no temperature" in keeper.text
    assert not stored.exists()


def test_what_is_typed_before_a_question_is_no_answer_to_it() -> None:
    master, slave = pty.openpty()
    with open(slave) as answers:  # noqa: PTH123
        os.write(master, b"yes\nyes\n")
        out = Prompted(lambda: os.write(master, b"no\n"))
        assert Terminal(answers, out).ask("Keep this? ") == "no"
    os.close(master)


def test_a_hopeless_probe_is_refused(world: World, options: Options, stored: Path) -> None:
    world.error = 3.0
    keeper = InventedKeeper(world, {"Try it again": "no"})
    assert calibrate_probe(options("--ice"), keeper, world.clock) == 1
    assert "no working probe does" in keeper.text
    assert not stored.exists()


@pytest.mark.parametrize(("error", "code", "word"), [(0.4, 0, "Passed"), (2.5, 1, "Failed")])
def test_boiling_is_a_check_and_no_correction(
    error: float, code: int, word: str, world: World, options: Options, stored: Path
) -> None:
    # 98.31 °C at 500 m by ISO 2533 and IAPWS: BOI-10 of the check table.
    world.error = error
    keeper = InventedKeeper(world, {"boiling": "", "Keep": "yes"})
    world.medium = 98.31

    def stay(question: str) -> str:
        keeper.asked.append(question)
        world.medium = 98.31
        return "yes" if "Keep" in question else ""

    keeper.ask = stay  # type: ignore[method-assign]
    assert calibrate_probe(options("--boil", "--altitude", "500"), keeper, world.clock) == code
    assert f"{word}: paste reads" in keeper.text
    assert "where water boils at 98.31 °C" in keeper.text
    (record,) = past_records(stored.parent)
    assert record.passed is (code == 0)
    assert record.offset_celsius is None


def test_the_time_constant_is_measured_and_kept(world: World, options: Options, stored: Path) -> None:
    world.tau = 9.0
    keeper = InventedKeeper(world, {"Keep": "yes"})
    assert calibrate_probe(options("--time-constant"), keeper, world.clock) == 0
    (record,) = past_records(stored.parent)
    assert record.kind is Kind.TIME_CONSTANT
    assert record.time_constant_seconds == pytest.approx(9.0, rel=0.03)
    assert "Time constant of paste: 9.0 s" in keeper.text


def test_a_slow_hand_is_told_and_may_try_again_or_give_up(world: World, options: Options, stored: Path) -> None:
    class Halting(InventedKeeper):
        """Stops half way with the probe in lukewarm water, twice."""

        def say(self, text: str) -> None:
            super().say(text)
            if "move it into the warm water" in text:
                world.medium = 18.0

    keeper = Halting(world, {"Try it again": ["yes", "no"]})
    world.tau = 1.0
    assert calibrate_probe(options("--time-constant"), keeper, world.clock) == 1
    assert sum("That one does not count" in text for text in keeper.said) == 2
    assert "Nothing was changed" in keeper.text
    assert not stored.exists()


def an_old_record() -> Record:
    return Record.model_validate(
        {
            "rom": ROM,
            "probe": 'the "old" one \\ \x7f',
            "kind": "ice",
            "taken": "2026-01-02T03:04:05Z",
            "due": "2026-07-03",
            "offset_celsius": -0.25,
            "gain": 1.0,
            "expanded_uncertainty_celsius": 0.35,
            "at_celsius": 37.0,
            "points": [{"reading_celsius": 0.25, "true_celsius": 0.0, "u_celsius": 0.11}],
            "budget": [{"name": "ice bath", "u_celsius": 0.1, "basis": "an allowance"}],
        }
    )


def test_history_is_kept_in_order_and_listed(
    world: World, options: Options, stored: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keep_record(stored.parent, an_old_record())
    assert past_records(stored.parent) == (an_old_record(),)
    assert calibrate_probe(options("--ice"), InventedKeeper(world, {"Keep": "yes"}), world.clock) == 0
    assert past_records(stored.parent)[0] == an_old_record()
    assert calibrate_probe(options("--history"), InventedKeeper(world, {}), world.clock) == 0
    first, second = capsys.readouterr().out.splitlines()
    assert first == "2026-01-02 03:04 UTC  ice            reading − 0.25 °C, ±0.35 °C, due 2026-07-03"
    assert second.startswith("2027-01-15")
    assert calibrate_probe(options("--history", "--json"), InventedKeeper(world, {}), world.clock) == 0
    assert [record["kind"] for record in json.loads(capsys.readouterr().out)] == ["ice", "ice"]


def test_a_damaged_file_is_never_written_over(world: World, options: Options, stored: Path) -> None:
    stored.parent.mkdir(parents=True)
    stored.write_text('{"rom": 5}\n', encoding="utf-8")
    with pytest.raises(StorageError, match="mend it, or move it away"):
        calibrate_probe(options("--ice"), InventedKeeper(world, {}), world.clock)
    assert stored.read_text(encoding="utf-8") == '{"rom": 5}\n'


def test_a_folder_of_somebody_else_is_found_before_any_prompt(
    world: World, options: Options, stored: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Root may write anywhere, so the refusal of the system is invented here.
    monkeypatch.setattr("os.access", lambda *_: False)
    keeper = InventedKeeper(world, {})
    with pytest.raises(StorageError, match="put sudo before"):
        calibrate_probe(options("--ice"), keeper, world.clock)
    assert keeper.asked == []
    assert not stored.exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "say what to do"),
        (["--boil", "--ice"], "one at a time"),
        (["--time-constant", "--compare"], "one at a time"),
        (["--ice", "--repeats", "0"], "--repeats 0: give 1 to 5"),
        (["--compare", "--reference-uncertainty", "2"], "--reference-uncertainty 2: give 0.01 to 0.5"),
    ],
)
def test_options_that_make_no_sense_are_refused(words: list[str], told: str, world: World, options: Options) -> None:
    with pytest.raises(DataError, match=told):
        calibrate_probe(options(*words), InventedKeeper(world, {}), world.clock)


def test_a_probe_that_is_not_there_is_refused_before_any_prompt(
    world: World, options: Options, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command, "locate", lambda _: {})
    with pytest.raises(WiringError, match="not on the bus"):
        calibrate_probe(options("--ice"), InventedKeeper(world, {}), world.clock)


def test_an_unknown_name_says_which_are_known(options: Options, world: World) -> None:
    given = options("--ice")
    given.probe = "soup"
    with pytest.raises(DataError, match="known are paste"):
        calibrate_probe(given, InventedKeeper(world, {}), world.clock)


def test_without_a_terminal_the_end_of_the_answers_changes_nothing(
    options: Options, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with FailingTree(tmp_path / "tree", FastClock(10.0), [FakeProbe(rom=ROM, celsius=lambda _: 0.3)]) as tree:
        monkeypatch.setattr("sys.stdin", (tmp_path / "sensord.toml").open("r"))
        (tmp_path / "sensord.toml").write_text("", encoding="utf-8")
        code = main(["calibrate", ROM, "--ice", "--one-wire-root", str(tree.root), "--state", str(tmp_path / "state"),
                     "--config", str(tmp_path / "sensord.toml")])  # fmt: skip
    assert code == 1
    assert "nothing was changed" in capsys.readouterr().out
    assert not (tmp_path / "state").exists()
    del options


@pytest.fixture
def tree(tmp_path: Path) -> Iterator[FailingTree]:
    with FailingTree(tmp_path / "tree", FastClock(40.0), [FakeProbe(rom=ROM, celsius=lambda _: 0.3125)]) as made:
        yield made


def test_a_real_tree_is_read_to_the_end(tree: FailingTree, options: Options, stored: Path) -> None:
    given = options("--ice", "--repeats", "1", "--one-wire-root", str(tree.root))
    world = World()
    keeper = InventedKeeper(world, {"Keep": "yes"})
    assert calibrate_probe(given, keeper, FastClock(40.0)) == 0
    assert past_records(stored.parent)[0].offset_celsius == pytest.approx(-0.3125)


def test_a_probe_unplugged_half_way_is_refused(tree: FailingTree, options: Options, stored: Path) -> None:
    given = options("--ice", "--one-wire-root", str(tree.root))
    keeper = InventedKeeper(World(), {"Try it again": "no"})
    tree.fail(ROM, Failure.EMPTY)
    assert calibrate_probe(given, keeper, FastClock(40.0)) == 1
    assert "too often to calibrate it" in keeper.text
    assert not stored.exists()


def test_the_daemon_uses_the_newest_calibration_unless_the_config_has_its_own(tmp_path: Path) -> None:
    config = parse(CONFIG, "test")
    clock = FakeClock(utc_seconds=an_old_record().taken.timestamp() + 86400)
    as_bought = calibrated_settings(config, tmp_path, clock)[0].probes["paste"]
    assert (as_bought.calibration.offset_celsius, as_bought.calibration.uncertainty_celsius) == (0.0, 0.5)
    assert as_bought.calibrated == ""
    keep_record(tmp_path, an_old_record())
    keep_record(tmp_path, an_old_record().model_copy(update={"offset_celsius": -0.3}))
    proven = calibrated_settings(config, tmp_path, clock)[0]
    assert proven.probes["paste"].calibration.correct(37.3) == pytest.approx(37.0)
    assert proven.dishes["dish"].uncertainty_celsius == 0.35
    assert proven.probes["paste"].calibrated == "ice, 2026-01-02, due 2026-07-03"
    own = parse(CONFIG.replace('place = "dish"', 'place = "dish"\noffset_celsius = 0.1'), "test")
    assert calibrated_settings(own, tmp_path, clock)[0].probes["paste"].calibration.offset_celsius == 0.1


def test_past_its_due_date_a_calibration_corrects_but_promises_no_more_than_a_new_probe(tmp_path: Path) -> None:
    keep_record(tmp_path, an_old_record())
    clock = FakeClock(utc_seconds=an_old_record().taken.timestamp() + 365 * 86400)
    probe = calibrated_settings(parse(CONFIG, "test"), tmp_path, clock)[0].probes["paste"]
    assert probe.calibration.offset_celsius == -0.25
    assert probe.calibration.uncertainty_celsius == 0.5
    assert probe.calibrated == "ice, 2026-01-02, overdue since 2026-07-03"


def test_a_measured_time_constant_reaches_the_dish(tmp_path: Path) -> None:
    measured = an_old_record().model_copy(
        update={"kind": Kind.TIME_CONSTANT, "time_constant_seconds": 7.5, "offset_celsius": None, "due": None}
    )
    keep_record(tmp_path, measured)
    settings = calibrated_settings(parse(CONFIG, "test"), tmp_path, FakeClock())[0]
    assert settings.dishes["dish"].time_constant_seconds == 7.5
    assert settings.probes["paste"].calibration.offset_celsius == 0.0
