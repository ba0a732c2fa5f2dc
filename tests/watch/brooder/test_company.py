"""Several probes as one air: means and medians, usual differences, who is silent and who astray."""

import pytest

from sensord.readings import Fault, FaultKind, Reading
from sensord.watch.brooder.band import LimitSettings
from sensord.watch.brooder.company import Company, CompanyRules, air_of, company_of, heard, silent, without_probe

RULES = CompanyRules(30.0, LimitSettings(limit_celsius=2.0, on_delay_seconds=300.0, off_delay_seconds=120.0))


def told(company: Company, seconds: float, **celsius: float) -> tuple[Company, float | None]:
    air = None
    for name, each in celsius.items():
        company = heard(company, Reading(name, seconds, each))
        company, air = air_of(RULES, company, seconds)
    return company, air


def over(company: Company, start: int, stop: int, **celsius: float) -> tuple[Company, float | None]:
    air = None
    for seconds in range(start, stop, 5):
        company, air = told(company, float(seconds), **celsius)
    return company, air


def test_one_probe_is_the_air() -> None:
    assert told(company_of(("air",)), 0.0, air=34.2)[1] == 34.2


def test_of_two_it_is_the_mean_and_of_three_the_one_in_the_middle() -> None:
    assert told(company_of(("a", "b")), 0.0, a=34.0, b=35.0)[1] == pytest.approx(34.5)
    assert told(company_of(("a", "b", "c")), 0.0, a=34.0, b=40.0, c=34.4)[1] == pytest.approx(34.4)
    # Of four the upper of the two in the middle.
    assert told(company_of(("a", "b", "c", "d")), 0.0, a=34.0, b=36.0, c=34.4, d=35.0)[1] == pytest.approx(35.0)


def test_a_reading_older_than_allowed_does_not_count() -> None:
    company, _ = told(company_of(("a", "b")), 0.0, a=34.0)
    assert told(company, 30.0, b=36.0)[1] == pytest.approx(35.0)
    assert told(company, 30.1, b=36.0)[1] == 36.0
    assert air_of(RULES, company, 31.0) == (company, None)


def test_a_probe_that_fails_does_not_count_until_it_reads_again() -> None:
    company, _ = told(company_of(("a", "b")), 0.0, a=34.0, b=36.0)
    company = heard(company, Fault("a", 5.0, FaultKind.CRC_ERROR))
    assert air_of(RULES, company, 5.0)[1] == pytest.approx(36.0)
    assert told(company, 10.0, a=34.0)[1] == pytest.approx(35.0)


def test_what_each_usually_differs_by_is_taken_off_when_one_is_lost() -> None:
    company, _ = over(company_of(("warm", "cool")), 0, 3600, warm=35.2, cool=33.8)
    assert company.members["warm"].usually_celsius == pytest.approx(0.7, abs=0.02)
    assert company.members["cool"].usually_celsius == pytest.approx(-0.7, abs=0.02)
    company = heard(company, Fault("warm", 3600.0, FaultKind.NO_RESPONSE))
    assert air_of(RULES, heard(company, Reading("cool", 3600.0, 33.8)), 3600.0)[1] == pytest.approx(34.5, abs=0.02)


def test_a_change_of_the_usual_is_learned_over_hours() -> None:
    """A running mean at first; from three hours on first order with a time constant of three hours."""
    company, _ = over(company_of(("a", "b")), 0, 4 * 3600, a=34.5, b=34.5)
    company, _ = over(company, 4 * 3600, 7 * 3600, a=35.0, b=34.0)
    assert company.members["a"].usually_celsius == pytest.approx(0.5 * (1 - 2.718281828**-1), abs=0.02)
    young, _ = over(company_of(("a", "b")), 0, 600, a=34.5, b=34.5)
    young, _ = over(young, 600, 1200, a=35.0, b=34.0)
    assert young.members["a"].usually_celsius == pytest.approx(0.25, abs=0.02)


def test_in_the_first_minute_one_reading_does_not_settle_the_usual() -> None:
    company, _ = told(company_of(("a", "b")), 0.0, a=35.0, b=34.0)
    company, _ = told(company, 6.0, a=35.0, b=34.0)
    assert company.members["a"].usually_celsius == pytest.approx(0.05)


def test_nothing_is_learned_while_they_disagree_or_one_is_missing() -> None:
    company, _ = over(company_of(("a", "b")), 0, 1200, a=36.0, b=33.0)
    assert company.members["a"].usually_celsius == 0.0
    alone, _ = over(company_of(("a", "b")), 0, 1200, a=36.0)
    assert alone.members["a"].usually_celsius == 0.0


def test_two_that_lie_apart_for_the_delay_disagree() -> None:
    company, _ = over(company_of(("a", "b")), 0, 305, a=36.0, b=34.0)
    assert company.disagree.is_standing
    early, _ = over(company_of(("a", "b")), 0, 300, a=36.0, b=34.0)
    assert not early.disagree.is_standing
    near, _ = over(company_of(("a", "b")), 0, 900, a=36.0, b=34.1)
    assert not near.disagree.is_standing


def test_a_probe_that_gives_only_faults_is_faulty_after_the_delay() -> None:
    company = heard(company_of(("a", "b")), Reading("b", 0.0, 34.0))
    company = heard(company, Fault("a", 10.0, FaultKind.CRC_ERROR))
    company = heard(company, Fault("a", 50.0, FaultKind.NO_RESPONSE))
    assert silent(company, 69.9, 60.0, 30.0) == (False, False)
    assert silent(company, 70.0, 60.0, 30.0) == (True, False)
    again = heard(company, Reading("a", 60.0, 34.0))
    assert silent(again, 75.0, 60.0, 30.0) == (False, False)


def test_a_probe_not_heard_of_is_late_after_both_delays() -> None:
    company = heard(company_of(("a", "b")), Reading("b", 5.0, 34.0))
    # The other has never been heard of since the first at 5 s.
    assert silent(company, 94.9, 60.0, 30.0) == (False, False)
    assert silent(company, 95.0, 60.0, 30.0) == (False, True)
    assert silent(company_of(("a",)), 9999.0, 60.0, 30.0) == (False, False)
    company = heard(heard(company, Reading("a", 50.0, 34.0)), Reading("b", 50.0, 34.0))
    assert silent(company, 139.9, 60.0, 30.0) == (False, False)
    assert silent(company, 140.0, 60.0, 30.0) == (False, True)


def test_a_late_fault_is_late_and_one_of_each_is_both() -> None:
    company = heard(company_of(("a", "b")), Fault("a", 0.0, FaultKind.LATE))
    company = heard(company, Fault("b", 0.0, FaultKind.NO_RESPONSE))
    assert silent(company, 60.0, 60.0, 30.0) == (True, True)
    only = heard(company_of(("a",)), Fault("a", 0.0, FaultKind.LATE))
    assert silent(only, 60.0, 60.0, 30.0) == (False, True)


def test_a_stop_forgets_the_readings_and_keeps_the_usual() -> None:
    company, _ = over(company_of(("a", "b")), 0, 1200, a=35.0, b=34.0)
    usual = company.members["a"].usually_celsius
    after = without_probe(company, 5000.0)
    assert after.members["a"].usually_celsius == usual != 0.0
    assert after.members["a"].celsius is None
    assert after.begun_seconds == 5000.0
    assert not after.disagree.is_standing
    assert air_of(RULES, after, 5000.0)[1] is None


def test_far_apart_is_a_difference_however_cold_one_of_them_is() -> None:
    """30 and 10 °C are 20 °C apart."""
    company, _ = over(company_of(("a", "b")), 0, 305, a=30.0, b=10.0)
    assert company.disagree.is_standing
    assert company.members["a"].usually_celsius == 0.0
