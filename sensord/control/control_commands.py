"""Commands on the control socket: who may ask for what, and which answer belongs to which request."""

import logging
import os
from collections.abc import Callable
from typing import Generic, NamedTuple, TypeVar

from sensord.clock import Clock
from sensord.control.control_wire import Code, Request, command_result, error_line
from sensord.errors import CommandError
from sensord.gate.command_reader import read_fields
from sensord.watch.command_table import Giver
from sensord.watch.effects import Answered
from sensord.watch.events import Event

__all__ = ["ANSWER_WITHIN_SECONDS", "CommandDesk"]

_log = logging.getLogger(__name__)

ANSWER_WITHIN_SECONDS = 5.0
_MOST_PENDING = 256

Asker = TypeVar("Asker")


class _Pending(NamedTuple, Generic[Asker]):
    asker: Asker
    request_id: object
    deadline_seconds: float


class CommandDesk(Generic[Asker]):
    """Turns requests into commands, hands them to `deliver`, and finds whom each answer is for.

    `clock` stamps commands; `patience` measures how long an answer may take. An asker is whatever the caller says.
    """

    def __init__(self, clock: Clock, deliver: Callable[[Event], None], patience: Clock) -> None:
        self._clock = clock
        self._deliver = deliver
        self._patience = patience
        self._pending: dict[str, _Pending[Asker]] = {}
        self._requests = 0

    def ask(self, asker: Asker, user: int | None, asked: Request) -> bytes | None:
        """Deliver a command that user id `user` asks for; the error line where it is refused at once."""
        if len(self._pending) >= _MOST_PENDING:
            return error_line(asked.request_id, Code.BUSY, "too many commands wait for an answer: ask again")
        self._requests += 1
        request = f"control-{self._requests}"
        fields = {**asked.params, "request": request}
        try:
            giver = Giver.OWNER if user in (0, os.geteuid()) else Giver.SOCKET
            command = read_fields(asked.method, fields, self._clock.monotonic_seconds(), giver)
        except CommandError as error:
            return error_line(asked.request_id, Code.BAD_PARAMS, str(error))
        _log.info("%s asked for by user id %s: %s", asked.method, user, asked.params)
        deadline = self._patience.monotonic_seconds() + ANSWER_WITHIN_SECONDS
        self._pending[request] = _Pending(asker, asked.request_id, deadline)
        self._deliver(command)
        return None

    def answered(self, answer: Answered) -> tuple[Asker, bytes] | None:
        """Who asked for it and the line to send; None where the command came another way."""
        pending = self._pending.pop(answer.request, None)
        if pending is None:
            return None
        if answer.done:
            return pending.asker, command_result(pending.request_id, answer)
        reason = answer.reason or "refused, without a reason"
        return pending.asker, error_line(pending.request_id, Code.REFUSED, reason)

    def expired(self) -> list[tuple[Asker, bytes]]:
        """The askers whose answer has not come in time, with the line to send."""
        now = self._patience.monotonic_seconds()
        late = [request for request, pending in self._pending.items() if now >= pending.deadline_seconds]
        reason = f"the daemon did not answer within {ANSWER_WITHIN_SECONDS:.0f} s; it may still do it"
        gone = [self._pending.pop(request) for request in late]
        return [(pending.asker, error_line(pending.request_id, Code.NO_ANSWER, reason)) for pending in gone]
