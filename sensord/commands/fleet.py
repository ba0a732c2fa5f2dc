"""`sensord watch --fleet`: all units of a broker on one screen. Works from a laptop without any probe."""

import argparse
import json
import os
from dataclasses import replace
from pathlib import Path

from rich.console import Console, Group
from rich.live import Live

from sensord.clock import Clock, SystemClock
from sensord.commands.given import host_port
from sensord.commands.terminal import Keyboard, fitting_glyphs, say_lines, stop_on_signals, zone_of
from sensord.config.loading import DEFAULT_PATH, load
from sensord.config.sections import MqttSection
from sensord.errors import BrokerError, ConfigError, DataError
from sensord.mqtt.units import FleetListener, UnitSeen
from sensord.screens.fleet_screen import Finder, Only, Told, fleet, fleet_words, told, unit_lines
from sensord.screens.page import ASCII, Glyphs, Look

__all__ = ["FleetKeys", "run"]

_LOOK_SECONDS = 0.25
_DRAW_SECONDS = 1.0
_SETTLE_SECONDS = 1.0
"""How long `--once` waits after the first word for what else is retained at the broker."""
_PATIENCE_SECONDS = 8.0


class FleetKeys:
    """What the keys have chosen: a unit, a search, a page."""

    def __init__(self) -> None:
        self.finder = Finder()
        self.chosen = ""
        self.looking_into = ""
        self.helping = False
        self.quitting = False

    def press(self, key: str, names: list[str]) -> None:
        """Do what `key` stands for; `names` are the units on the screen, in its order."""
        if self.finder.typing:
            self._type(key)
            return
        match key:
            case "q":
                self.quitting = True
            case "\x1b":
                self.looking_into, self.helping, self.finder = "", False, Finder()
            case "next" | "previous" if names:
                self._choose(names, 1 if key == "next" else -1)
            case "\n" | "\r" if names:
                self.looking_into = self.chosen if self.chosen in names else names[0]
            case "/":
                self.finder = replace(self.finder, typing=True)
            case "f":
                kinds = list(Only)
                self.finder = replace(self.finder, only=kinds[(kinds.index(self.finder.only) + 1) % len(kinds)])
            case "?":
                self.helping = not self.helping
            case _:
                pass

    def _type(self, key: str) -> None:
        match key:
            case "\n" | "\r" | "next" | "previous":
                self.finder = replace(self.finder, typing=False)
            case "\x1b":
                self.finder = replace(self.finder, text="", typing=False)
            case "\x7f" | "\b":
                self.finder = replace(self.finder, text=self.finder.text[:-1])
            case _:
                more = key if key.isprintable() else ""
                self.finder = replace(self.finder, text=self.finder.text + more)

    def _choose(self, names: list[str], step: int) -> None:
        if self.chosen not in names:
            self.chosen = names[0 if step > 0 else -1]
        else:
            self.chosen = names[(names.index(self.chosen) + step) % len(names)]
        if self.looking_into:
            self.looking_into = self.chosen


def run(options: argparse.Namespace) -> int:
    """The fleet on a terminal, or as lines or JSON; exit code 1 with `--once` while a unit needs a person."""
    clock, console = SystemClock(), Console()
    listener = FleetListener(_broker(options), clock)
    listener.start()
    try:
        if options.once or options.json or options.plain or not console.is_terminal:
            return _lines(listener, clock, options)
        return _live(listener, clock, console, ASCII if options.ascii else None)
    finally:
        listener.close()


def _broker(options: argparse.Namespace) -> MqttSection:
    """Where the broker is, and the base of the topics: from the config where there is one, `--broker` before it."""
    section: MqttSection | None = None
    path: Path | None = options.config or (DEFAULT_PATH if not options.broker and DEFAULT_PATH.exists() else None)
    if path is not None and (section := load(path).mqtt) is None:
        raise ConfigError(f"{path}: mqtt: there is no such section: add [mqtt] with host, or use --broker HOST:PORT")
    if options.broker:
        host, port = host_port(options.broker)
        at = {"host": host, "port": port}
        section = MqttSection(**at) if section is None else section.model_copy(update=at)
    if section is None:
        raise DataError("--fleet needs a broker: give --broker HOST:PORT, or --config FILE with a section [mqtt]")
    return section


def _live(listener: FleetListener, clock: Clock, console: Console, glyphs: Glyphs | None) -> int:
    chosen_glyphs = glyphs or fitting_glyphs(console.encoding, os.environ)
    keys, stop = FleetKeys(), stop_on_signals()
    zone = zone_of(clock)
    drawn_seconds, dirty = -_DRAW_SECONDS, True
    names: list[str] = []
    with Keyboard() as keyboard, Live(console=console, screen=True, auto_refresh=False) as live:
        while not keys.quitting and not stop.is_set():
            now = clock.monotonic_seconds()
            if dirty or now - drawn_seconds >= _DRAW_SECONDS:
                units = listener.book.units(clock.utc_seconds())
                width, height = console.size
                look = Look(
                    width=width,
                    height=height,
                    glyphs=chosen_glyphs,
                    zone=zone,
                    chosen=keys.chosen,
                    keys=keyboard.present,
                    help=keys.helping,
                )
                names = [one.unit.name for one in told(units, look, keys.finder)]
                live.update(_page(units, look, keys, listener), refresh=True)
                drawn_seconds, dirty = now, False
            if key := keyboard.read(_LOOK_SECONDS):
                keys.press(key, names)
                if keys.looking_into:
                    listener.look_into(keys.looking_into)
                dirty = True
    return 0


def _page(units: list[UnitSeen], look: Look, keys: FleetKeys, listener: FleetListener) -> Group:
    unit = next((unit for unit in units if unit.name == keys.looking_into), None)
    if unit is None or keys.helping:
        return fleet(units, look, keys.finder, listener.trouble)
    return Group(*unit_lines(unit, look))


def _lines(listener: FleetListener, clock: Clock, options: argparse.Namespace) -> int:
    """Plain lines or JSON: once, or again whenever a unit's answer changes."""
    stop = stop_on_signals()
    waited = 0.0
    while listener.trouble and not stop.is_set():
        if waited >= _PATIENCE_SECONDS:
            raise BrokerError(listener.trouble)
        clock.wait(stop, 0.1)
        waited += 0.1
    clock.wait(stop, _SETTLE_SECONDS)
    before: dict[str, str] = {}
    look = Look(zone=zone_of(clock))
    while True:
        units = listener.book.units(clock.utc_seconds())
        known = told(units, look, Finder())
        lines = fleet_words(units, look)[1:]
        news = {one.unit.name: line for one, line in zip(known, lines, strict=True)}
        fresh = [one for one in known if _is_news(one.unit.name, news, before)]
        say_lines([_json(one) if options.json else news[one.unit.name] for one in fresh])
        before = news
        if options.once:
            return 1 if any(one.needs_a_person for one in known) else 0
        if clock.wait(stop, _DRAW_SECONDS):
            return 0


def _is_news(name: str, news: dict[str, str], before: dict[str, str]) -> bool:
    # The length of a silence changes every second and is no news.
    return news[name].split(", for ")[0] != before.get(name, "").split(", for ")[0]


def _json(one: Told) -> str:
    snapshot = one.unit.snapshot
    return json.dumps(
        {
            "unit": one.unit.name,
            "online": one.unit.stale_seconds is None,
            "needs_a_person": one.needs_a_person,
            "answer": one.answer.sentence,
            "brooders": {brooder.name: brooder.celsius for brooder in snapshot.brooders},
            "dishes": {dish.name: dish.state.value for dish in snapshot.dishes},
            "alarms": [f"{alarm.place}/{alarm.condition.value}" for alarm in snapshot.alarms if alarm.standing],
        },
        ensure_ascii=False,
    )
