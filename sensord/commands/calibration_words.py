"""A calibration in a keeper's words: the result with its budget and what it gains, and one line of history."""

from sensord.config.sections import Config, DishSection, ProbeSection
from sensord.physics.conformity import acceptance_interval
from sensord.probes.calibrations import Kind, Record
from sensord.readings import Band, Place

__all__ = ["history_line", "result_lines"]


def result_lines(record: Record, config: Config, name: str) -> list[str]:
    """The result in a keeper's words."""
    lines = [""]
    if record.kind is Kind.TIME_CONSTANT:
        lines += [
            f"Time constant of {record.probe}: {record.time_constant_seconds:.1f} s ± {record.u_seconds:.1f} s.",
            "In stirred water, that is; resting in thick paste it is somewhat longer.",
        ]
    elif record.kind is Kind.BOIL:
        point = record.points[0]
        found = f"reads {point.reading_celsius:.2f} °C where water boils at {point.true_celsius:.2f} °C"
        limit = 2 * point.u_celsius
        if record.passed:
            lines += [f"Passed: {record.probe} {found}, within the {limit:.1f} °C that may be. It is no correction."]
        else:
            lines += [f"Failed: {record.probe} {found}, more than the {limit:.1f} °C that may be off. Don't trust it."]
    else:
        lines += [
            f"{record.probe} reads {_error_words(p.reading_celsius - p.true_celsius)} at {p.true_celsius:.1f} °C."
            for p in record.points
        ]
        lines += [f"Correction: {_formula(record)}.", "", *_budget(record), "", *_gained(record, config, name)]
        lines.append(f"Due again: {record.due}.")
    return [*lines, *(f"Caution: {warning}." for warning in record.warnings)]


def _error_words(error: float) -> str:
    return f"{abs(error):.2f} °C too {'much' if error > 0 else 'little'}"


def _formula(record: Record) -> str:
    offset = record.offset_celsius or 0.0
    gain = "reading" if record.gain == 1 else f"{record.gain:.4f} × reading"
    return f"{gain} {'−' if offset < 0 else '+'} {abs(offset):.2f} °C"


def _budget(record: Record) -> list[str]:
    expanded = record.expanded_uncertainty_celsius or 0.0
    return [
        *(f"  {line.name:<24}{line.u_celsius:.3f} °C  {line.basis}" for line in record.budget),
        f"  {'together, k = 2':<24}{expanded:.2f} °C   at {record.at_celsius:.0f} °C",
    ]


def _gained(record: Record, config: Config, name: str) -> list[str]:
    """How much wider the usable part of the feeding band is than with this probe as bought."""
    if name in config.probes and config.probes[name].place is not Place.DISH:
        return []
    dish = next((dish for dish in config.dishes.values() if dish.probe == name), DishSection(probe="dish"))
    before = ProbeSection.model_fields["uncertainty_celsius"].default
    band = dish.band.band()
    with_it = _usable(band, record.expanded_uncertainty_celsius or before, dish.probability)
    return [f"Usable window in {band}: {with_it}; as bought {_usable(band, before, dish.probability)}."]


def _usable(band: Band, expanded: float, probability: float) -> str:
    window = acceptance_interval(band, expanded / 2, probability)
    if window is None:
        return "none"
    width = window.high_celsius - window.low_celsius
    return f"{window.low_celsius:.2f}–{window.high_celsius:.2f} °C, {width:.2f} °C wide"


def history_line(record: Record) -> str:
    """One record in one line."""
    when = record.taken.strftime("%Y-%m-%d %H:%M UTC")
    if record.kind is Kind.TIME_CONSTANT:
        what = f"{record.time_constant_seconds:.1f} s"
    elif record.kind is Kind.BOIL:
        what = "passed" if record.passed else "failed"
    else:
        what = f"{_formula(record)}, ±{record.expanded_uncertainty_celsius:.2f} °C, due {record.due}"
    return f"{when}  {record.kind.value:<13}  {what}"
