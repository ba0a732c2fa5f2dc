"""Feed rounds, found from the dish: a batch was started, it got ready, its probe was lifted and the feed began."""

from dataclasses import dataclass, replace

from sensord.readings import Interval
from sensord.watch.effects import BatchStarted, DishChanged, DishEstimated, DishState, Effect, Note, Noted

# The probe may stay in the dish while syringes are drawn, until the paste is a little too cool; long after that a lift
# clears the table and feeds nobody (common practice, no source).
_LIFT_SEEN_WITHIN_SECONDS = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedRound:
    """The probe was lifted at `seconds` out of a dish that was ready; `celsius` is the last estimate of its paste."""

    seconds: float
    dish: str
    batch_seconds: float | None
    ready_seconds: float
    celsius: float | None


@dataclass(frozen=True, slots=True)
class _Dish:
    batch_seconds: float | None = None
    ready_seconds: float | None = None
    left_ready_seconds: float | None = None
    celsius: float | None = None


class RoundTracker:
    """Remembers each dish between effects; one instance lives beside the history."""

    def __init__(self) -> None:
        self._dishes: dict[str, _Dish] = {}
        self._dish_of_probe: dict[str, str] = {}

    def take(self, effect: Effect) -> FeedRound | None:
        """Follow one effect; the round that began with it, if one did."""
        match effect:
            case BatchStarted(seconds, dish):
                self._dishes[dish] = _Dish(batch_seconds=seconds)
            case DishEstimated(dish=dish, estimate_celsius=Interval(middle=celsius)):
                known = self._dishes.get(dish, _Dish())
                if known.left_ready_seconds is None:
                    self._dishes[dish] = replace(known, celsius=celsius)
            case DishChanged(dish=dish, probe=probe):
                self._dish_of_probe[probe] = dish
                self._changed(effect)
            case Noted(seconds=seconds, probe=probe, what=Note.LIFT):
                return self._lifted(seconds, self._dish_of_probe.get(probe, ""))
            case _:
                pass
        return None

    def _changed(self, change: DishChanged) -> None:
        known = self._dishes.get(change.dish, _Dish())
        if change.state is DishState.READY:
            known = replace(known, ready_seconds=known.ready_seconds or change.seconds, left_ready_seconds=None)
            known = replace(known, celsius=change.estimate_celsius.middle if change.estimate_celsius else known.celsius)
        elif change.previous is DishState.READY:
            known = replace(known, left_ready_seconds=change.seconds)
        self._dishes[change.dish] = known

    def _lifted(self, seconds: float, dish: str) -> FeedRound | None:
        known = self._dishes.get(dish)
        if known is None or known.ready_seconds is None:
            return None
        left = known.left_ready_seconds
        if left is not None and seconds - left > _LIFT_SEEN_WITHIN_SECONDS:
            return None
        # Lifting to stir and dipping again is one round: the next one needs the dish to get ready anew.
        self._dishes[dish] = replace(known, ready_seconds=None, left_ready_seconds=None)
        return FeedRound(
            seconds=seconds,
            dish=dish,
            batch_seconds=known.batch_seconds,
            ready_seconds=known.ready_seconds,
            celsius=known.celsius,
        )
