"""What past calibrations change in the config's probes: where the config says nothing itself, the newest one counts."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

from sensord.clock import Clock
from sensord.config.sections import Config, ProbeSection
from sensord.config.settings import nursery_settings
from sensord.probes.calibrations import FILE_NAME, Record, latest, load
from sensord.watch.nursery import NurserySettings

__all__ = ["calibrated_words", "settings_as_bought", "settings_of", "with_calibrations"]

_AS_BOUGHT_CELSIUS: float = ProbeSection.model_fields["uncertainty_celsius"].default


def settings_of(config: Config, state: Path, clock: Clock) -> NurserySettings:
    """The core's settings with every probe as last calibrated, by the records in the state folder.

    Raises `StorageError` for a damaged file of calibrations.
    """
    records = load(state / FILE_NAME)
    trusted = clock.wall_clock_trusted()
    today = datetime.fromtimestamp(clock.utc_seconds(), tz=UTC).date() if trusted else None
    settings = nursery_settings(with_calibrations(config, records, today))
    probes = {
        name: replace(probe, calibrated=calibrated_words(records, config.probes[name].rom, today))
        for name, probe in settings.probes.items()
    }
    return replace(settings, probes=probes)


def settings_as_bought(config: Config) -> NurserySettings:
    """The core's settings where nothing is known of past calibrations: no probe counts for better than as bought."""
    probes = {
        name: section.model_copy(update={"uncertainty_celsius": max(section.uncertainty_celsius, _AS_BOUGHT_CELSIUS)})
        for name, section in config.probes.items()
    }
    return nursery_settings(config.model_copy(update={"probes": probes}))


def with_calibrations(config: Config, records: Sequence[Record], today: date | None) -> Config:
    """The config with offset, gain, uncertainty and time constant of each probe as last calibrated.

    A key that the config sets by hand stays. Past its due date (`today` None: not known, so not past) a calibration
    still corrects, but the uncertainty is no better than that of a probe as bought.
    """
    probes = {name: _probe(section, records, today) for name, section in config.probes.items()}
    return config.model_copy(update={"probes": probes})


def calibrated_words(records: Sequence[Record], rom: str, today: date | None) -> str:
    """For the screens: how and when a probe was last calibrated, and when that is due again; empty where never."""
    record = latest(records, rom, correcting=True)
    if record is None:
        return ""
    when = f"{record.kind.value}, {record.taken.date().isoformat()}"
    if record.due is None:
        return when
    return f"{when}, {'overdue since' if _overdue(record, today) else 'due'} {record.due.isoformat()}"


def _probe(section: ProbeSection, records: Sequence[Record], today: date | None) -> ProbeSection:
    update: dict[str, float] = {}
    correction = latest(records, section.rom, correcting=True)
    # Offset and gain belong together: half of a correction from here and half from there is none.
    if correction is not None and not {"offset_celsius", "gain"} & section.model_fields_set:
        update["offset_celsius"] = correction.offset_celsius or 0.0
        update["gain"] = correction.gain or 1.0
        uncertainty = correction.expanded_uncertainty_celsius
        if uncertainty is not None and "uncertainty_celsius" not in section.model_fields_set:
            least = _AS_BOUGHT_CELSIUS if _overdue(correction, today) else 0.0
            update["uncertainty_celsius"] = max(uncertainty, least)
    response = latest(records, section.rom, correcting=False)
    if response is not None and response.time_constant_seconds and section.time_constant_seconds is None:
        update["time_constant_seconds"] = response.time_constant_seconds
    return section.model_copy(update=update)


def _overdue(record: Record, today: date | None) -> bool:
    return record.due is not None and today is not None and today > record.due
