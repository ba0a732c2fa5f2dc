"""The MQTT output of a unit: retained states, numbered events, commands in, answers out, hub discovery.

`handle` only notes what is to be said (events on the disk, states in memory, the newest of each) and wakes the
connection's thread, which says it when there is a broker. Without one the daemon does not notice.
"""

import random
import threading
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from typing import Literal, get_args

from sensord.clock import Clock, SystemClock
from sensord.config.sections import MqttSection
from sensord.errors import StorageError
from sensord.gate.command_gate import NetworkGate, TokenBucket
from sensord.mqtt.broker import Connection, Message, Received
from sensord.mqtt.broker_login import open_secrets
from sensord.mqtt.messages import RetainedState, Timing, Topics, Transition, event_of, states_of
from sensord.mqtt.outbox import Outbox, Unnumbered
from sensord.mqtt.payloads import AnswerPayload
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmChanged, Answered, Effect
from sensord.watch.events import Command
from sensord.watch.views import Snapshot

ONLINE, OFFLINE = b"online", b"offline"
STATUS_AGAIN_SECONDS = 60.0
"""The will of a connection that the broker thought dead may come after our `online`: say it again now and then."""
MOST_BIRTHS = 5
"""So often at once, and then once a minute, everything is said again to a hub that says it is back: all of it is
retained anyway, and anybody can claim to be the hub."""
EVENTS_IN_FLIGHT = 20
AFTER_REFUSAL_SECONDS = 60.0
SETTLING_SECONDS = 5.0
"""A broker confirms before it writes to its disk. An event leaves the outbox only when the broker has stayed up for so
long after confirming it; what was confirmed just before a broker died is sent again."""
WAITING_ANSWERS = 64
MOST_UNSTORED = 5_000
"""So many events wait in memory for a disk that does not take them."""


def _payload(effect: Transition, timing: Timing, number: int, series: str) -> bytes:
    return event_of(effect, timing, number, series).encoded()


class Publisher:
    """An output of the daemon. `deliver` gets commands and must not block; `birth_delay_seconds` spreads many units.

    `alarms` are told while they are normal too; `announced` is what the hub is told, by topic; without it none is
    listened to.
    """

    name = "mqtt"

    def __init__(
        self,
        section: MqttSection,
        unit: str,
        outbox: Outbox,
        clock: Clock,
        deliver: Callable[[Command], None],
        *,
        alarms: frozenset[tuple[str, Condition]] = frozenset(),
        announced: Mapping[str, bytes] | None = None,
        birth_delay_seconds: Callable[[], float] = lambda: random.uniform(0.5, 10.0),
    ) -> None:
        self._section = section
        self._secrets = open_secrets(section)
        self._topics = Topics(section.base, unit)
        self._announced = announced or {}
        self._birth_topic = section.discovery.birth_topic if announced else ""
        self._outbox = outbox
        self._clock = clock
        self._real = SystemClock()  # the network knows nothing of a clock that runs faster than life
        self._birth_delay_seconds = birth_delay_seconds
        self._gate = NetworkGate(section.read_only, clock, deliver)
        self._lock = threading.Lock()
        self._sequence = 0
        self._latest: dict[str, tuple[RetainedState, float]] = {}
        self._due: set[str] = set()
        self._answers: deque[Answered] = deque(maxlen=WAITING_ANSWERS)
        self._told_alarms = set(alarms)
        self._unstored: list[Unnumbered] = []
        self._unnumbered_losses = 0
        self._held = outbox.held()
        self._stale = self._former_announcements()
        self._seen_snapshot = False
        self._trouble = self._disk_trouble = ""
        self._clearing: dict[int, str] = {}
        self._births = TokenBucket(self._real.monotonic_seconds(), MOST_BIRTHS, 1 / 60)
        self._new_session()
        will = Message(topic=self._topics.status, payload=OFFLINE, qos=1, retain=True)
        self._connection = Connection(section, self._topics.client_id, self, will)

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._connection.start()

    @property
    def working(self) -> bool:
        return self._connection.up and not (self._trouble or self._disk_trouble)

    @property
    def failing(self) -> bool:
        """Whether a person has to know: what is said reaches nobody, or the disk does not keep it."""
        return bool(self._connection.missing or self._trouble or self._disk_trouble)

    def words(self) -> str:
        """One line for the screen: connected or why not, and what waits."""
        parts = [self._connection.words, *filter(None, [self._secrets])]
        if self._connection.up and self._connection.trouble:
            parts.append(self._connection.trouble)
        parts += [trouble for trouble in (self._trouble, self._disk_trouble, self._outbox.trouble) if trouble]
        if self._outbox.dropped:
            parts.append(f"{self._outbox.dropped} events had to give way while there was no broker")
        if self._gate.dropped:
            parts.append(f"{self._gate.dropped} commands dropped (too many)")
        return "; ".join(parts)

    def handle(self, item: Effect | Snapshot) -> None:
        """As `handle_all`."""
        self.handle_all([item])

    def handle_all(self, items: Sequence[Effect | Snapshot]) -> None:
        """Note what is to be said, with one flush for all events.

        Raises `StorageError` for as long as the disk does not take them; they wait, up to `MOST_UNSTORED`.
        """
        timing = self._timing()
        self._unstored += [
            (partial(_payload, item, timing), isinstance(item, AlarmChanged))
            for item in items
            if isinstance(item, Transition)
        ]
        try:
            for item in items:
                if isinstance(item, Snapshot):
                    self._note_states(item)
                elif isinstance(item, Answered) and self._gate.answered(item):
                    self._answers.append(item)
        finally:  # a state that cannot be said takes no event with it
            self._store_events()
            self._connection.wake()

    def take_losses(self, losses: Counter[type[Effect | Snapshot]]) -> None:
        """What the queue has lost of the events: a gap in the numbers shows it, and the words of this output."""
        self._unnumbered_losses += sum(losses[kind] for kind in get_args(Transition))

    def close(self) -> None:
        """Say `offline`, disconnect, and close the outbox."""
        with suppress(StorageError):  # told before
            self._store_events()
        self._connection.close()
        if self._connection.parted_well:
            self._outbox.remove(number for _, number in self._settling)
        self._outbox.close()

    # --- from the daemon --------------------------------------------------------------------------------------------

    def _timing(self) -> Timing:
        return Timing(self._clock.monotonic_seconds(), self._clock.utc_seconds(), self._clock.wall_clock_trusted())

    def _store_events(self) -> None:
        if not (self._unstored or self._unnumbered_losses):
            return
        try:
            self._outbox.add(self._unstored, self._unnumbered_losses)
        except StorageError:
            while len(self._unstored) > MOST_UNSTORED:  # what gives way is what the outbox would let go of
                del self._unstored[next((n for n, (_, alarm) in enumerate(self._unstored) if not alarm), 0)]
                self._unnumbered_losses += 1
            raise
        self._unstored, self._unnumbered_losses = [], 0
        self._more_events = True

    def _note_states(self, snapshot: Snapshot) -> None:
        timing = self._timing()
        now = timing.monotonic_seconds
        # An alarm that nobody expected to exist is told while normal from then on, so that it does not stay raised.
        self._told_alarms |= {(alarm.place, alarm.condition) for alarm in snapshot.alarms}
        alarms, interval = frozenset(self._told_alarms), self._section.interval_seconds
        states = states_of(snapshot, self._topics, timing, alarms, interval)
        with self._lock:
            for state in states:
                last = self._latest.get(state.topic)
                if last is None or last[0].meaning != state.meaning or now - last[1] >= state.pace_seconds:
                    self._latest[state.topic] = (state, now)
                    self._due.add(state.topic)
            if not self._seen_snapshot:
                self._seen_snapshot = True
                self._find_stale()

    def _former_announcements(self) -> set[str]:
        """Discovery of an earlier life: to be cleared before the new one, or the hub sees every id twice."""
        return {
            topic
            for topic in self._held - self._announced.keys()
            if topic.endswith("/config") and "#" not in topic and not topic.startswith(f"{self._topics.root}/")
        }

    def _find_stale(self) -> None:
        """What an earlier life of this unit left at the broker and nobody will say again."""
        wanted = {self._topics.status, *self._latest, *self._announced}
        self._stale |= {topic for topic in self._held - wanted if "#" not in topic}

    # --- from the connection's thread -------------------------------------------------------------------------------

    def _new_session(self) -> None:
        self._sent_up_to = 0
        self._more_events = True
        self._in_flight: dict[int, int] = {}
        self._settling: deque[tuple[float, int]] = deque()
        with self._lock:
            self._stale |= set(self._clearing.values())
        self._clearing = {}
        self._status_seconds = -float("inf")
        self._discovery_seconds: float | None = self._real.monotonic_seconds()
        self._events_from_seconds = 0.0

    def connected(self, link: Connection) -> None:
        """Say everything: whoever listens may have missed all of it."""
        self._new_session()
        self._trouble = ""
        link.subscribe(self._topics.commands, replay_retained=False)
        if self._birth_topic:
            link.subscribe(self._birth_topic, replay_retained=False)

    def received(self, message: Received) -> None:
        """A command, or the hub that is back."""
        if message.topic == self._birth_topic:
            if message.payload == self._section.discovery.birth_payload.encode():
                now = self._real.monotonic_seconds()
                if self._discovery_seconds is None and self._births.take(now):
                    self._discovery_seconds = now + self._birth_delay_seconds()
            return
        verb = message.topic.removeprefix(self._topics.command(""))
        answer = self._gate.take(verb, message.payload, message.retained)
        if answer is not None:
            self._answers.append(answer)

    def confirmed(self, identifier: int, refusal: str) -> None:
        """An event has arrived, or a topic was cleared."""
        number, cleared = self._in_flight.pop(identifier, None), self._clearing.pop(identifier, None)
        if refusal:
            self._trouble = (
                f"it refuses what we publish ({refusal}): give this user the right to write {self._topics.root}/#"
            )
            if number is not None:
                # Nothing may overtake the refused one: all again from there, later.
                self._events_from_seconds = self._real.monotonic_seconds() + AFTER_REFUSAL_SECONDS
                self._sent_up_to, self._more_events = 0, True
            return
        if number is not None:
            self._settling.append((self._real.monotonic_seconds() + SETTLING_SECONDS, number))
        if cleared is not None and cleared not in self._latest:
            # Marks of components (sensord.mqtt.discovery) go with the topic that they were announced on.
            gone = {cleared, *(mark for mark in self._held if mark.startswith(f"{cleared}#"))}
            self._held -= gone
            self._outbox.let_go(gone)

    def turn(self, link: Connection) -> None:
        """Say what is due: status and discovery, then states, answers and events."""
        now = self._real.monotonic_seconds()
        if self._discovery_seconds is not None and now >= self._discovery_seconds:
            self._discovery_seconds = None
            self._clear_stale(link)
            for topic, payload in self._announced.items():
                self._retain(link, Message(topic=topic, payload=payload, qos=1, retain=True))
            self._status_seconds = -float("inf")
            with self._lock:
                self._due |= set(self._latest)
        if now - self._status_seconds >= STATUS_AGAIN_SECONDS:
            self._status_seconds = now
            self._retain(link, Message(topic=self._topics.status, payload=ONLINE, qos=1, retain=True))
        self._say_states(link)
        self._say_answers(link)
        try:
            self._say_events(link, now)
            self._disk_trouble = ""
        except StorageError as error:
            self._disk_trouble = str(error)

    def _retain(self, link: Connection, message: Message) -> int:
        """Publish something that stays at the broker, remembered on the disk beforehand."""
        if message.topic not in self._held:
            try:
                self._outbox.hold([message.topic])
            except StorageError as error:
                self._disk_trouble = str(error)
            self._held.add(message.topic)
        return link.publish(message)

    def _say_states(self, link: Connection) -> None:
        if link.busy():
            return
        now = self._clock.monotonic_seconds()
        with self._lock:
            # In the order in which they were first said: alarms, then what somebody waits for.
            due = [said for topic, said in self._latest.items() if topic in self._due]
            self._due.clear()
        for state, seconds in due:
            left = None if state.expiry_seconds is None else state.expiry_seconds - round(now - seconds)
            if left is not None and left <= 0:
                continue  # said again now it would look live
            self._sequence += 1
            qos: Literal[0, 1] = 1 if state.expiry_seconds is None else 0
            self._retain(
                link,
                Message(
                    topic=state.topic,
                    payload=state.payload(sequence=self._sequence).encoded(),
                    qos=qos,
                    retain=True,
                    expiry_seconds=left,
                ),
            )
        self._clear_stale(link)

    def _clear_stale(self, link: Connection) -> None:
        with self._lock:
            stale, self._stale = self._stale, set()
        for topic in sorted(stale):
            self._clearing[link.publish(Message(topic=topic, payload=b"", qos=1, retain=True))] = topic

    def _say_answers(self, link: Connection) -> None:
        while self._answers:
            answer, timing = self._answers.popleft(), self._timing()
            payload = AnswerPayload.of(answer, **timing.head(timing.monotonic_seconds))
            link.publish(Message(topic=self._topics.done, payload=payload.encoded(), qos=1))

    def _say_events(self, link: Connection, now: float) -> None:
        settled = []
        while self._settling and self._settling[0][0] <= now:
            settled.append(self._settling.popleft()[1])
        self._outbox.remove(settled)
        if now < self._events_from_seconds or (self._sent_up_to == 0 and self._in_flight):
            return
        while self._more_events and len(self._in_flight) < EVENTS_IN_FLIGHT:
            self._more_events = False  # before looking: an event added meanwhile sets it again
            batch = self._outbox.waiting(self._sent_up_to, EVENTS_IN_FLIGHT - len(self._in_flight))
            for event in batch:
                identifier = link.publish(Message(topic=self._topics.event, payload=event.payload, qos=1))
                if not identifier:
                    self._more_events = True
                    return
                self._in_flight[identifier] = event.number
                self._sent_up_to = event.number
            self._more_events = self._more_events or bool(batch)
