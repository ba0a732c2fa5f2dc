"""Short memories for sparklines: means of equal bins of time, the last hour or so, nothing more."""

from dataclasses import dataclass

from sensord.watch.views import Trail

_BINS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class TrailKeeper:
    """Means of the last 60 bins of `bin_seconds`; a bin without a reading is None."""

    bin_seconds: float
    means: tuple[float | None, ...] = ()
    bin_number: int = 0
    total_celsius: float = 0.0
    count: int = 0

    def add(self, seconds: float, celsius: float) -> "TrailKeeper":
        """With one more reading in Celsius at monotonic `seconds`."""
        number = int(seconds // self.bin_seconds)
        if number == self.bin_number and self.count:
            return TrailKeeper(
                bin_seconds=self.bin_seconds,
                means=self.means,
                bin_number=number,
                total_celsius=self.total_celsius + celsius,
                count=self.count + 1,
            )
        return TrailKeeper(
            bin_seconds=self.bin_seconds, means=self._closed(number), bin_number=number, total_celsius=celsius, count=1
        )

    def trail(self, seconds: float) -> Trail:
        """The trail up to `seconds`, oldest first, the bin under way included."""
        current = self.total_celsius / self.count if self.count else None
        number = int(seconds // self.bin_seconds)
        if number == self.bin_number or not self.count:
            return Trail(self.bin_seconds, (*self.means, current)[-_BINS:] if self.count else self.means)
        return Trail(self.bin_seconds, self._closed(number))

    def _closed(self, number: int) -> tuple[float | None, ...]:
        """The means with the bin under way closed and the empty bins before `number` added."""
        if not self.count:
            return self.means
        empty = min(max(0, number - self.bin_number - 1), _BINS)
        return (*self.means, self.total_celsius / self.count, *[None] * empty)[-_BINS:]
