"""`sensord watch`: the dashboard of a running daemon; plain lines where there is no terminal."""

import argparse
import importlib
import os
import threading
from collections.abc import Callable
from datetime import tzinfo
from pathlib import Path

from rich.console import Console, Group
from rich.live import Live

from sensord.clock import SystemClock
from sensord.commands.command_verbs import add_socket_option
from sensord.commands.keys import Keys
from sensord.commands.live_picture import LivePicture, Seen
from sensord.commands.terminal import Keyboard, fitting_glyphs, say_lines, stop_on_signals, zone_of
from sensord.control.control_client import ControlClient, Missed
from sensord.control.view_wire import snapshot_json
from sensord.errors import DataError
from sensord.screens.dashboard import dashboard, waiting
from sensord.screens.lines import effect_line, snapshot_lines
from sensord.screens.page import ASCII, Glyphs, Look
from sensord.screens.words import Tone, answer, clock_time, is_for_the_keeper
from sensord.watch.views import Snapshot

_LOOK_SECONDS = 0.25
_NOTHING = Snapshot(unit="", seconds=0.0, utc_seconds=None)


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--once", action="store_true", help="show it once and end; exit code 1 while an alarm stands")
    parser.add_argument("--plain", action="store_true", help="plain lines: all of it once, then what happens")
    parser.add_argument("--json", action="store_true", help="a snapshot as one JSON object a line")
    parser.add_argument("--ascii", action="store_true", help="draw with ASCII characters only")
    add_socket_option(parser)
    parser.add_argument("--fleet", action="store_true", help="all units of a broker, instead of one daemon")
    parser.add_argument(
        "--broker", metavar="HOST:PORT", help="with --fleet: where the broker is, such as station.local:1883"
    )
    parser.add_argument(
        "--config",
        type=Path,
        metavar="FILE",
        help="with --fleet: the config whose [mqtt] says where the broker is, and how to get in",
    )


def run(options: argparse.Namespace) -> int:
    if options.fleet:
        # Only here, because it brings the MQTT client along, which this machine may not need.
        return int(importlib.import_module("sensord.commands.fleet").run(options))
    if options.broker or options.config:
        raise DataError("--broker and --config go with --fleet: without it the daemon is found by --socket")
    console = Console()
    if options.once:
        return _once(options, console)
    with ControlClient(options.socket) as client:  # says at once where there is no daemon
        client.version()
    stop = stop_on_signals()
    if options.json:
        return _stream(options.socket, stop, _json_line)
    if options.plain or not console.is_terminal or console.is_dumb_terminal:
        return _stream(options.socket, stop, None)
    return show(options.socket, stop.is_set, ASCII if options.ascii else None)


def show(socket: str | Path, until: Callable[[], bool] = lambda: False, glyphs: Glyphs | None = None) -> int:
    """The dashboard on the whole terminal until `q`, Ctrl-C or `until()`; the terminal comes back as it was."""
    clock = SystemClock()
    console = Console()
    chosen_glyphs = glyphs or fitting_glyphs(console.encoding, os.environ)
    picture, keys = LivePicture(socket, clock), Keys(socket, clock)
    drawn: object = None
    try:
        with Keyboard() as keyboard, Live(console=console, screen=True, auto_refresh=False) as live:
            while not until() and not keys.quitting:
                seen = picture.seen()
                width, height = console.size
                look = Look(
                    width=width,
                    height=height,
                    glyphs=chosen_glyphs,
                    zone=zone_of(clock),
                    chosen=keys.chosen(seen.snapshot),
                    stale_seconds=None if seen.stale_seconds is None else float(int(seen.stale_seconds)),
                    remark=keys.remark() or (seen.trouble if seen.stale_seconds is not None else ""),
                    keys=keyboard.present,
                    help=keys.helping,
                )
                shown = (seen.snapshot, look)
                if shown != drawn:
                    drawn = shown
                    live.update(_drawn(seen, look), refresh=True)
                if key := keyboard.read(_LOOK_SECONDS):
                    keys.press(key, seen.snapshot)
    finally:
        picture.close()
    return 0


def _drawn(seen: Seen, look: Look) -> Group:
    return waiting(seen.trouble, look) if seen.snapshot is None else dashboard(seen.snapshot, look)


def _once(options: argparse.Namespace, console: Console) -> int:
    with ControlClient(options.socket) as client:
        snapshot = client.snapshot()
    zone = zone_of(SystemClock())
    if options.json:
        print(snapshot_json(snapshot).decode())
    elif options.plain or not console.is_terminal:
        say_lines(snapshot_lines(snapshot, zone=zone))
    else:
        glyphs = ASCII if options.ascii else fitting_glyphs(console.encoding, os.environ)
        console.print(
            dashboard(snapshot, Look(width=console.width, height=max(24, console.height - 2), glyphs=glyphs, zone=zone))
        )
    return 1 if any(alarm.standing and is_for_the_keeper(alarm) for alarm in snapshot.alarms) else 0


def _json_line(snapshot: Snapshot) -> str:
    return snapshot_json(snapshot).decode()


def _stream(socket: str | Path, stop: threading.Event, each: Callable[[Snapshot], str] | None) -> int:
    """Lines until a signal: `each` snapshot as a line, or without it the picture once and then what happens."""
    clock = SystemClock()
    picture = LivePicture(socket, clock)
    plain = _PlainLines(zone_of(clock))
    last: Snapshot | None = None
    try:
        while not clock.wait(stop, _LOOK_SECONDS):
            seen = picture.seen()
            if each is None:
                say_lines(plain.next(seen, _happened(picture)))
            elif seen.snapshot is not None and (last is None or seen.snapshot.seconds != last.seconds):
                say_lines([each(seen.snapshot)])
            last = seen.snapshot
    finally:
        picture.close()
    return 0


class _PlainLines:
    """The whole picture when it comes or goes stale; between that what happens, and the answer when it turns."""

    def __init__(self, zone: tzinfo) -> None:
        self._zone = zone
        self._was_stale: bool | None = None
        self._tone: Tone | None = None

    def next(self, seen: Seen, happened: list[str]) -> list[str]:
        """What to print now; `happened` are the lines of what has happened since the last time."""
        snapshot = seen.snapshot
        time = clock_time(snapshot or _NOTHING, self._zone)
        lines = [f"{time} {line}".strip() for line in happened]
        if snapshot is None:
            return lines
        now = answer(snapshot, seen.stale_seconds, self._zone)
        is_stale = seen.stale_seconds is not None
        if is_stale != self._was_stale:
            lines += snapshot_lines(snapshot, seen.stale_seconds, self._zone)
        elif now.tone is not self._tone:
            lines.append(f"{time} {now.sentence}".strip())
        self._was_stale, self._tone = is_stale, now.tone
        return lines


def _happened(picture: LivePicture) -> list[str]:
    lines = []
    for effect in picture.effects():
        line = f"{effect.effects} events were missed" if isinstance(effect, Missed) else effect_line(effect)
        if line is not None:
            lines.append(line)
    return lines
