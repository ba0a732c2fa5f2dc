"""Every key of the config that the rules go by is turned, and what it changes is seen through the whole nursery."""

from datetime import UTC, date, datetime

import pytest

from sensord.care.chicks import ChickView
from sensord.config.loading import parse
from sensord.readings import Band, FaultKind
from sensord.watch.command_table import Acknowledge, LogFeed, PauseAudio, SetStage, Shelve
from sensord.watch.conditions import UNIT_PLACE, Condition
from sensord.watch.cues import Cue, Priority
from sensord.watch.effects import AlarmState, Answered, Cued, DishEstimated, Measured
from sensord.watch.events import DayKnown, Origin
from sensord.watch.nursery import snapshot
from sensord.watch.views import BrooderView
from tests.config.turning import AIR, PASTE, Watched, config, turns

HATCHED = "2026-05-01"
DAY = 86_400.0


def utc(day: str) -> float:
    return datetime.combine(date.fromisoformat(day), datetime.min.time(), UTC).timestamp()


def brooder(watched: Watched) -> BrooderView:
    (seen,) = snapshot(watched.settings, watched.nursery, watched.seconds).brooders
    return seen


# --- Probes -----------------------------------------------------------------------------------------------------------


@turns("probes.offset_celsius", "probes.gain", "probes.uncertainty_celsius")
def test_a_reading_is_measured_as_its_probe_was_calibrated() -> None:
    keys = "offset_celsius = -0.5\ngain = 1.02\nuncertainty_celsius = 0.2"
    (plain,) = [each for each in Watched(config()).read(34.0, 1).effects if isinstance(each, Measured)]
    (turned,) = [each for each in Watched(config(air=keys)).read(34.0, 1).effects if isinstance(each, Measured)]
    assert (plain.observation.celsius, plain.uncertainty_celsius) == (34.0, 0.5)  # type: ignore[union-attr]
    assert turned.observation.celsius == pytest.approx(34.18)  # type: ignore[union-attr]
    assert turned.uncertainty_celsius == 0.2


@turns("probes.place")
def test_a_place_says_what_a_probe_there_can_honestly_read() -> None:
    """Water for a dish may be at 70 °C, no room is."""
    text = '[probes.x]\nrom = "28-00000000000a"\nplace = "{}"'
    for place, fault in (("dish", None), ("brooder", FaultKind.OUT_OF_SPAN), ("room", FaultKind.OUT_OF_SPAN)):
        watched = Watched(parse(text.format(place), "sensord.toml")).read(70.0, 1, "x")
        assert snapshot(watched.settings, watched.nursery, 1.0).probes[0].fault is fault
    for place, fault in (("brooder", None), ("room", FaultKind.OUT_OF_SPAN)):
        watched = Watched(parse(text.format(place), "sensord.toml")).read(55.0, 1, "x")
        assert snapshot(watched.settings, watched.nursery, 1.0).probes[0].fault is fault


@turns("probes.uncertainty_celsius", "dishes.probability")
def test_a_better_probe_or_less_to_prove_makes_the_usable_window_wider() -> None:
    def seconds_ready(paste: str = "", supper: str = "") -> float:
        watched = Watched(config(paste=paste, supper=supper)).dip()
        return watched.dish("cool")[0] - watched.dish("ready")[0]

    usual = seconds_ready()
    assert seconds_ready(paste="uncertainty_celsius = 0.1") > usual + 20
    assert seconds_ready(supper="probability = 0.6") > usual + 20
    assert seconds_ready(supper="probability = 0.99") < usual - 10


@turns("probes.time_constant_seconds")
def test_a_slower_probe_is_believed_to_lag_more() -> None:
    def first_estimate(paste: str) -> float:
        watched = Watched(config(paste=paste)).dip(seconds=20)
        estimates = [each.estimate_celsius for each in watched.effects if isinstance(each, DishEstimated)]
        return max(each.middle for each in estimates if each is not None)

    assert first_estimate("time_constant_seconds = 30.0") > first_estimate("time_constant_seconds = 3.0") + 1.0


# --- Brooders ---------------------------------------------------------------------------------------------------------


@turns("brooders.probes", "probes.rom")
def test_a_brooder_is_watched_by_the_probes_that_it_names() -> None:
    """A probe is known by its `rom`, a brooder names it in `probes`."""
    more = f'[probes.second]\nrom = "{PASTE[:-1]}f"\nplace = "brooder"'
    band = "band = { low_celsius = 33.0, high_celsius = 36.0 }"
    watched = Watched(config(more, nest=f'probes = ["second"]\n{band}'))
    assert brooder(watched.read(34.0, 60, "second")).celsius == pytest.approx(34.0)
    watched = Watched(config(more, nest=f'probes = ["air"]\n{band}'))
    assert brooder(watched.read(34.0, 60, "second")).celsius is None
    assert config().probes["air"].rom == AIR


@turns("brooders.band", "brooders.band.low_celsius", "brooders.band.high_celsius", "brooders.band.source")
def test_a_pinned_band_is_the_one_that_air_is_held_to() -> None:
    nest = "band = {{ low_celsius = {}, high_celsius = {}, source = 'vet' }}"
    cold = Watched(config(nest=nest.format(30.0, 36.0))).read(29.5, 400)
    assert cold.alarm(Condition.TOO_COLD)
    assert not Watched(config(nest=nest.format(29.0, 36.0))).read(29.5, 400).alarm(Condition.TOO_COLD)
    warm = Watched(config(nest=nest.format(30.0, 33.0))).read(33.8, 400)
    assert warm.alarm(Condition.TOO_WARM)
    assert not Watched(config(nest=nest.format(30.0, 34.0))).read(33.8, 400).alarm(Condition.TOO_WARM)
    assert (brooder(warm).band, brooder(warm).band_source, brooder(warm).pinned) == (Band(30.0, 33.0), "vet", True)


@turns("brooders.profile", "brooders.stage")
@pytest.mark.parametrize(
    ("profile", "stage", "low", "high"),
    # The printed values: AFA Watchbird 2632; Hand-Rearing Birds, 2nd ed., p 675. tests/care compares every row.
    [
        ("parrots", "naked", 35.0, 36.1),
        ("parrots", "feathered", 23.9, 26.7),
        ("songbirds", "hatchling", 33.3, 35.0),
    ],
)
def test_profile_and_stage_give_the_printed_band(profile: str, stage: str, low: float, high: float) -> None:
    watched = Watched(config(nest=f'profile = "{profile}"\nstage = "{stage}"')).read((low + high) / 2, 2)
    assert (brooder(watched).band, brooder(watched).stage) == (Band(low, high), stage)
    assert (
        Watched(config(nest=f'profile = "{profile}"\nstage = "{stage}"')).read(low - 0.5, 400).alarm(Condition.TOO_COLD)
    )
    assert not watched.read(low + 0.2, 400).alarm(Condition.TOO_COLD)


@turns("brooders.hatched")
def test_the_hatch_date_of_the_youngest_gives_the_band() -> None:
    nest = "profile = 'parrots'\nhatched = {}"
    young = Watched(config(nest=nest.format(HATCHED)), utc(HATCHED)).read(37.5, 2)
    assert brooder(young).band == Band(37.0, 38.0)
    old = Watched(config(nest=nest.format(HATCHED)), utc(HATCHED) + 60 * DAY).read(29.0, 2)
    assert brooder(old).band == Band(28.9, 29.9)
    mixed = Watched(config(nest=nest.format("[2026-05-01, 2026-06-29]")), utc(HATCHED) + 60 * DAY).read(37.0, 2)
    assert brooder(mixed).band == Band(37.0, 38.0)


@turns("brooders.on_delay_seconds", "brooders.off_delay_seconds", "brooders.deadband_celsius")
def test_an_alarm_comes_and_goes_after_the_delays_and_beyond_the_deadband() -> None:
    band = "band = { low_celsius = 33.0, high_celsius = 36.0 }"

    def course(keys: str) -> tuple[float, float]:
        """When the alarm came after the air went to 32.5 °C, and how long it stood once that was 33.5 °C."""
        watched = Watched(config(nest=f"{band}\n{keys}")).read(34.0, 60).read(32.5, 700)
        came = watched.alarm(Condition.TOO_COLD)[0] - 60
        watched.read(33.5, 900)
        back = [at for at in watched.alarm(Condition.TOO_COLD, AlarmState.RETURNED_UNACKNOWLEDGED) if at > 760]
        return came, (back[0] - 760 if back else float("inf"))

    came, went = course("on_delay_seconds = 200\noff_delay_seconds = 120")
    assert came == pytest.approx(200, abs=30)
    assert went == pytest.approx(120, abs=30)
    assert course("on_delay_seconds = 500")[0] == pytest.approx(500, abs=30)
    assert course("off_delay_seconds = 600")[1] == pytest.approx(600, abs=30)
    assert course("deadband_celsius = 1.0")[1] == float("inf")


# --- Dishes -----------------------------------------------------------------------------------------------------------


@turns("dishes.probe")
def test_a_dish_is_measured_by_the_probe_that_it_names() -> None:
    more = '[probes.other]\nrom = "28-00000000000f"\nplace = "dish"\n[dishes.second]\nprobe = "other"'
    watched = Watched(config(more)).read(37.0, 3, "other")
    seen = {view.name: view.reading_celsius for view in snapshot(watched.settings, watched.nursery, 3.0).dishes}
    assert (seen["supper"], seen["second"]) == (None, 37.0)


@turns("dishes.band", "dishes.band.low_celsius", "dishes.band.high_celsius", "dishes.band.source")
def test_a_dish_is_ready_in_its_own_band() -> None:
    usual = Watched(config()).dip()
    warm = Watched(config(supper="band = { low_celsius = 38.0, high_celsius = 40.0, source = 'book' }")).dip()
    assert warm.dish("ready")[0] < usual.dish("ready")[0] - 60
    low = Watched(config(supper="band = { low_celsius = 34.5, high_celsius = 38.0 }")).dip(seconds=900)
    assert low.dish("cool")[0] > usual.dish("cool")[0] + 60
    (seen,) = snapshot(warm.settings, warm.nursery, warm.seconds).dishes
    assert (seen.band, seen.band_source) == (Band(38.0, 40.0), "book")


@turns("dishes.uptake_seconds")
def test_a_dish_is_not_ready_before_its_formula_has_taken_up_the_water() -> None:
    assert Watched(config(supper="uptake_seconds = 600")).dip(hot=39.0).dish("ready") == []
    early = Watched(config(supper="uptake_seconds = 0")).dip(hot=39.0).dish("ready")[0]
    late = Watched(config(supper="uptake_seconds = 150")).dip(hot=39.0).dish("ready")[0]
    assert early < 190 < 209 < late


@turns("dishes.batch_limit_seconds")
def test_a_batch_past_its_limit_is_old_and_never_ready_again() -> None:
    assert Watched(config()).dip().dish("old") == []
    watched = Watched(config(supper="batch_limit_seconds = 300")).dip()
    assert watched.dish("old")[0] == pytest.approx(60 + 300, abs=5)
    assert max([0.0, *watched.dish("ready")]) < 365
    (seen,) = snapshot(watched.settings, watched.nursery, watched.seconds).dishes
    assert seen.state.value == "old"


# --- Alarms -----------------------------------------------------------------------------------------------------------


def alarmed(keys: str, *, danger: bool = False) -> Watched:
    watched = Watched(config(f"[alarms]\n{keys}"))
    return watched.read(34.0, 60).read(25.0 if danger else 32.0, 300)


@turns("alarms.pause_seconds")
@pytest.mark.parametrize("origin", [Origin.CONTROL, Origin.MQTT, Origin.BUTTON])
def test_no_pause_is_longer_than_the_config_allows(origin: Origin) -> None:
    watched = alarmed("pause_seconds = 60")
    refused = watched.give(PauseAudio(seconds=watched.seconds, origin=origin, for_seconds=61.0))
    assert not refused.done
    assert "pause_seconds" in refused.reason
    assert watched.give(PauseAudio(seconds=watched.seconds, origin=origin, for_seconds=60.0)).done
    generous = alarmed("pause_seconds = 600")
    assert generous.give(PauseAudio(seconds=generous.seconds, origin=origin, for_seconds=61.0)).done


@turns("alarms.shelve_seconds")
@pytest.mark.parametrize("origin", [Origin.CONTROL, Origin.MQTT])
def test_no_shelf_is_longer_than_the_config_allows(origin: Origin) -> None:
    watched = alarmed("shelve_seconds = 60")

    def shelve(seconds: float) -> bool:
        command = Shelve(
            seconds=watched.seconds, origin=origin, place="nest", condition=Condition.TOO_COLD, for_seconds=seconds
        )
        return watched.give(command).done

    assert not shelve(61.0)
    assert shelve(60.0)
    watched.read(32.0, 62)
    assert watched.nursery.book.get("nest", Condition.TOO_COLD).state is not AlarmState.SHELVED


@turns("alarms.reminder_seconds")
def test_an_acknowledged_alarm_reminds_as_often_as_said() -> None:
    def reminders(keys: str) -> list[float]:
        watched = alarmed(keys)
        watched.give(Acknowledge(seconds=watched.seconds, origin=Origin.BUTTON))
        begun = watched.seconds
        watched.read(32.0, 700)
        cued = [each for each in watched.effects if isinstance(each, Cued) and each.cue is Cue.REMINDER]
        return [each.seconds - begun for each in cued]

    assert reminders("reminder_seconds = 300") == pytest.approx([300, 600], abs=3)
    assert reminders("reminder_seconds = 7200") == []


@turns("alarms.rearm_seconds")
def test_an_acknowledged_alarm_that_still_stands_sounds_again_after_the_time_said() -> None:
    def again(keys: str) -> float:
        watched = alarmed(keys)
        watched.give(Acknowledge(seconds=watched.seconds, origin=Origin.BUTTON))
        begun = watched.seconds
        watched.read(32.0, 1000)
        return min([at - begun for at in watched.alarm(Condition.TOO_COLD) if at > begun], default=float("inf"))

    assert again("rearm_seconds = 300") == pytest.approx(300, abs=3)
    assert again("rearm_seconds = 900") == pytest.approx(900, abs=3)


@turns("alarms.latch_danger")
def test_a_latched_danger_stays_until_somebody_resets_it() -> None:
    def after_the_danger(keys: str) -> AlarmState:
        watched = alarmed(keys, danger=True)
        watched.give(Acknowledge(seconds=watched.seconds, origin=Origin.BUTTON))
        watched.read(34.0, 600)
        return watched.nursery.book.get("nest", Condition.DANGEROUSLY_COLD).state

    assert after_the_danger("latch_danger = false") is AlarmState.NORMAL
    assert after_the_danger("latch_danger = true") is AlarmState.LATCHED_ACKNOWLEDGED


@turns("alarms.network_silence_seconds", "alarms.local_silence_seconds")
@pytest.mark.parametrize("origin", [Origin.MQTT, Origin.CONTROL])
def test_renewed_silence_ends_at_the_limit_of_where_it_comes_from(origin: Origin) -> None:
    """An acknowledgement each second keeps a standing danger quiet for no longer than the config says."""

    def quiet(keys: str) -> float:
        watched = Watched(config(f"[alarms]\nrearm_seconds = 14400\n{keys}")).read(34.0, 60).read(25.0, 300)
        begun, last_heard = watched.seconds, 0.0
        while watched.seconds < begun + 2000:
            watched.feed(Acknowledge(seconds=watched.seconds, origin=origin))
            watched.read(25.0, 1)
            if watched.seconds > begun + 60 and watched.nursery.alerting.priority is Priority.HIGH:
                last_heard = watched.seconds
                break
        return (last_heard or float("inf")) - begun

    short, long = "network_silence_seconds = 600\nlocal_silence_seconds = {}", "network_silence_seconds = {}"
    if origin is Origin.MQTT:
        assert quiet(long.format(600)) == pytest.approx(600, abs=120)
        assert quiet(long.format(1200)) == pytest.approx(1200, abs=120)
    else:
        assert quiet(short.format(900)) == pytest.approx(900, abs=120)
        assert quiet(short.format(1500)) == pytest.approx(1500, abs=120)


# --- Silence, the log, a stage ----------------------------------------------------------------------------------------


@turns("one_wire.interval_seconds")
def test_a_slow_pace_of_reading_is_no_silence() -> None:
    def fault(seconds: str) -> FaultKind | None:
        watched = Watched(config(f"[one_wire]\ninterval_seconds = {seconds}")).read(37.0, 1, "spoon").silence(60)
        return {view.name: view.fault for view in snapshot(watched.settings, watched.nursery, 61.0).probes}["spoon"]

    assert fault("1.0") is FaultKind.LATE
    assert fault("30.0") is None


@turns("history.feed_reminder")
def test_an_overdue_feed_reminds_where_that_is_wanted() -> None:
    for said, stands in (("true", True), ("false", False)):
        watched = Watched(config(f"[history]\nfeed_reminder = {said}"), utc(HATCHED))
        watched.feed(DayKnown(0.5, (ChickView(name="pip", overdue_utc_seconds=utc(HATCHED)),)))
        assert watched.silence(2).stands(Condition.FEED_OVERDUE, UNIT_PLACE) is stands


@turns("history.enabled")
def test_without_a_history_no_entry_is_taken() -> None:
    feed = LogFeed(seconds=1.0, origin=Origin.CONTROL, chick="pip", millilitres=5.0)
    assert "enabled = true" in Watched(config("[history]\nenabled = false")).give(feed).reason
    assert not [each for each in Watched(config()).feed(feed) if isinstance(each, Answered)]  # the log answers


def test_a_stage_set_by_the_keeper_is_the_one_in_force() -> None:
    watched = Watched(config(nest="profile = 'parrots'\nstage = 'naked'")).read(35.5, 2)
    assert watched.give(SetStage(seconds=3.0, origin=Origin.CONTROL, brooder="nest", stage="hatchling")).done
    assert brooder(watched).band == Band(37.0, 38.0)
