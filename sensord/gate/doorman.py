"""Commands that come over the network: who is let in. Retained, repeated, too many or not allowed ones are not.

Pure but for the clock: it neither subscribes nor publishes. A message from the network can never silence a brooder for
longer than the local config allows (`commands.Limits`), and what was sent while we were away is not carried out later.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from sensord.clock import Clock
from sensord.errors import CommandError
from sensord.gate.commands import VERBS, Limits, parse, request_of, shown
from sensord.watch.effects import Answered
from sensord.watch.events import Command, Origin

__all__ = ["Answer", "Doorman", "TokenBucket"]

BURST = 5
PER_SECOND = 1.0
REMEMBERED_REQUESTS = 256


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one command."""

    request: str
    verb: str
    done: bool
    reason: str = ""


@dataclass(slots=True)
class TokenBucket:
    """Lets `burst` through at once and then `per_second`."""

    seconds: float
    burst: int = BURST
    per_second: float = PER_SECOND
    _tokens: float = field(init=False)

    def __post_init__(self) -> None:
        self._tokens = self.burst

    def take(self, seconds: float) -> bool:
        """Whether one more may pass at `seconds` (monotonic)."""
        self._tokens = min(self.burst, self._tokens + (seconds - self.seconds) * self.per_second)
        self.seconds = seconds
        if self._tokens < 1:
            return False
        self._tokens -= 1
        return True


class Doorman:
    """Checks commands and hands the good ones to `deliver`, which must not block."""

    def __init__(self, limits: Limits, read_only: bool, clock: Clock, deliver: Callable[[Command], None]) -> None:
        self._limits = limits
        self._read_only = read_only
        self._clock = clock
        self._deliver = deliver
        self._lock = threading.Lock()
        now = clock.monotonic_seconds()
        # Unknown verbs share one bucket, so that inventing names buys nobody more.
        self._buckets = {verb: TokenBucket(now) for verb in (*VERBS, "")}
        self._flooded: set[str] = set()
        self._seen: OrderedDict[tuple[str, str], Answer | None] = OrderedDict()
        self._numbered = 0
        self.dropped = 0

    def take(self, verb: str, payload: bytes, retained: bool) -> Answer | None:
        """Let one message in, or not. An answer that can be given at once; None where it comes later, or never."""
        if retained and not payload:
            return None  # somebody clears a retained command, as they were told to
        bucket = verb if verb in VERBS else ""
        now = self._clock.monotonic_seconds()
        with self._lock:
            if not self._buckets[bucket].take(now):
                self.dropped += 1
                if bucket in self._flooded:
                    return None  # an answer to each would double the flood
                self._flooded.add(bucket)
                reason = f"too many commands: {BURST} at once, then {PER_SECOND:g} a second; the rest is dropped"
                return Answer("", verb if bucket else shown(verb), False, reason)
            self._flooded.discard(bucket)
        request = request_of(payload)
        try:
            if retained:
                raise CommandError(
                    "a retained command is never carried out: clear it with an empty retained message on its topic,"
                    " and send it without retain"
                )
            if self._read_only:
                raise CommandError("this unit takes no commands over MQTT (mqtt.read_only)")
            command = parse(verb, payload, now, Origin.MQTT, self._limits)
        except CommandError as error:
            return Answer(request, verb if bucket else shown(verb), False, str(error))
        with self._lock:
            if not request:
                self._numbered += 1
                command = replace(command, request=f"unnamed-{self._numbered}")
            elif (verb, request) in self._seen:
                return self._seen[verb, request]
            self._seen[verb, command.request] = None
            while len(self._seen) > REMEMBERED_REQUESTS:
                self._seen.popitem(last=False)
        self._deliver(command)
        return None

    def answered(self, effect: Answered) -> Answer | None:
        """The answer of the nursery to a command that was let in here; None where it came from elsewhere."""
        if effect.origin is not Origin.MQTT:
            return None
        answer = Answer(effect.request, effect.verb, effect.done, effect.reason)
        with self._lock:
            for verb, request in self._seen:
                if request == effect.request and self._seen[verb, request] is None:
                    # The nursery may call the verb by another name: what counts is what was asked.
                    answer = replace(answer, verb=verb)
                    self._seen[verb, request] = answer
                    break
        return answer
