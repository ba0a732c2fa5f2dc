"""Commands that come over the network: who is let in. Retained, repeated, too many or not allowed ones are not.

Pure but for the clock: it neither subscribes nor publishes. What was sent while we were away is not carried out later,
and each command costs its row in the history and its turn of the rules, so each verb has a budget.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from sensord.clock import Clock
from sensord.errors import CommandError, quoted
from sensord.gate.command_reader import read_payload, request_of
from sensord.watch.command_table import COMMANDS, Giver
from sensord.watch.effects import Answered
from sensord.watch.events import Command, Origin

BURST = 10
"""So many of a verb at once: a round of feeds entered in one go."""
PER_MINUTE = 6.0
"""So many of a verb after that: more than hands at a hub ask for, few enough to be kept for a year."""
_REMEMBERED_REQUESTS = 256


@dataclass(frozen=True, slots=True)
class CommandAnswer:
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
    per_second: float = PER_MINUTE / 60
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


class NetworkGate:
    """Checks commands and hands the good ones to `deliver`, which must not block."""

    def __init__(self, read_only: bool, clock: Clock, deliver: Callable[[Command], None]) -> None:
        self._read_only = read_only
        self._clock = clock
        self._deliver = deliver
        self._lock = threading.Lock()
        now = clock.monotonic_seconds()
        # One bucket for everything that is no verb: a flood of nonsense must not use up the real ones.
        self._buckets = {verb: TokenBucket(now) for verb in ("", *COMMANDS)}
        self._flooded: set[str] = set()
        self._seen: OrderedDict[tuple[str, str], CommandAnswer | None] = OrderedDict()
        self._numbered = 0
        self.dropped = 0

    def take(self, verb: str, payload: bytes, retained: bool) -> CommandAnswer | None:
        """Let a command in, or the answer to publish instead; None where the answer comes later, or never."""
        if retained and not payload:
            return None  # somebody clears a retained command, as they were told to
        known = verb if verb in COMMANDS else ""
        named = known or quoted(verb)
        now = self._clock.monotonic_seconds()
        with self._lock:
            if not self._buckets[known].take(now):
                self.dropped += 1
                if known in self._flooded:
                    return None  # an answer to each would double the flood
                self._flooded.add(known)
                reason = f"too many commands: {BURST} at once, then {PER_MINUTE:g} a minute; the rest is dropped"
                return CommandAnswer("", named, False, reason)
            self._flooded.discard(known)
        request = request_of(payload)
        try:
            command = self._read(verb, payload, retained, now)
        except CommandError as error:
            return CommandAnswer(request, named, False, str(error))
        with self._lock:
            if not request:
                self._numbered += 1
                command = replace(command, request=f"unnamed-{self._numbered}")
            elif (verb, request) in self._seen:
                return self._seen[verb, request]
            self._seen[verb, command.request] = None
            while len(self._seen) > _REMEMBERED_REQUESTS:
                self._seen.popitem(last=False)
        self._deliver(command)
        return None

    def _read(self, verb: str, payload: bytes, retained: bool, now: float) -> Command:
        if retained:
            raise CommandError(
                "a retained command is never carried out: clear it with an empty retained message on its topic,"
                " and send it without retain"
            )
        if self._read_only:
            raise CommandError("this unit takes no commands over MQTT (mqtt.read_only)")
        return read_payload(verb, payload, now, Giver.BROKER)

    def answered(self, effect: Answered) -> CommandAnswer | None:
        """The answer of the nursery to a command that was let in here; None where it came from elsewhere."""
        if effect.origin is not Origin.MQTT:
            return None
        answer = CommandAnswer(effect.request, effect.verb, effect.done, effect.reason)
        with self._lock:
            if self._seen.get((effect.verb, effect.request), answer) is None:
                self._seen[effect.verb, effect.request] = answer
        return answer
