"""Which probe was warmed: only one that moved clearly and alone."""

from sensord.readings import Reading
from sensord.watch.finding import Warming, feel, moved, moved_most


def felt(finding: Warming, **celsius: float) -> Warming:
    for probe, value in celsius.items():
        finding = feel(finding, Reading(probe, 0.0, value))
    return finding


def test_the_one_that_rises_alone_is_found() -> None:
    finding = felt(Warming(), a=22.0, b=22.0)
    assert moved(finding) is None
    finding = felt(finding, a=22.25, b=25.0)
    assert moved(finding) == "b"
    assert moved_most(finding) == ("b", 3.0)


def test_a_hand_cools_a_probe_from_a_warm_brooder() -> None:
    assert moved(felt(felt(Warming(), a=37.0, b=22.0), a=34.0)) == "a"


def test_a_small_move_is_nothing_yet() -> None:
    assert moved(felt(felt(Warming(), a=22.0, b=22.0), b=23.4)) is None


def test_two_that_move_together_are_not_told_apart() -> None:
    finding = felt(felt(Warming(), a=22.0, b=22.0), a=24.0, b=26.0)
    assert moved(finding) is None
    assert moved(felt(finding, b=28.5)) == "b"


def test_one_that_was_found_and_cools_down_does_not_count_again() -> None:
    finding = felt(Warming(), a=22.0, b=22.0).next_one("b")
    finding = felt(felt(finding, a=22.0, b=33.0), b=23.0)
    assert moved(finding) is None
    assert moved_most(finding) == ("a", 0.0)
    assert moved(felt(finding, a=24.0)) == "a"


def test_nothing_read_is_nothing_found() -> None:
    assert moved(Warming()) is None
    assert moved_most(Warming()) is None
