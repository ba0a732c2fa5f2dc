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
from sensord.config import DEFAULT_PATH
from sensord.config.loading import load
from sensord.config.sections import MqttSection
from sensord.errors import BrokerError, ConfigError, DataError
from sensord.mqtt.units import FleetListener
from sensord.screens.fleet_screen import Finder, Told, fleet_lines, fleet_words, told, unit_lines
from sensord.screens.page import ASCII, Glyphs, Look

_LOOK_SECONDS = 0.25
_DRAW_SECONDS = 1.0
_SETTLE_SECONDS = 1.0
"""How long `--once` waits after the first word for what else is retained at the broker."""
_PATIENCE_SECONDS = 8.0


class FleetKeys:
    """What the keys have chosen: a unit, what is looked for, and whether one is looked into."""

    def __init__(self) -> None:
        self.finder = Finder()
        self.chosen = ""
        self.looking_into = ""
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
                self.looking_into, self.finder = "", Finder()
            case "next" | "previous" if names:
                step = 1 if key == "next" else -1
                here = names.index(self.chosen) if self.chosen in names else min(-step, 0)
                self.chosen = names[(here + step) % len(names)]
                self.looking_into = self.looking_into and self.chosen
            case "\n" | "\r" if names:
                self.looking_into = self.chosen if self.chosen in names else names[0]
            case "/":
                self.finder = replace(self.finder, typing=True)
            case "f":
                self.finder = replace(self.finder, needing=not self.finder.needing)
            case _:
                pass

    def _type(self, key: str) -> None:
        text = self.finder.text
        match key:
            case "\n" | "\r" | "next" | "previous":
                self.finder = replace(self.finder, typing=False)
            case "\x1b":
                self.finder = replace(self.finder, text="", typing=False)
            case "\x7f" | "\b":
                self.finder = replace(self.finder, text=text[:-1])
            case _:
                self.finder = replace(self.finder, text=text + (key if key.isprintable() else ""))


def run(options: argparse.Namespace) -> int:
    """The fleet on a terminal, or as lines or JSON; exit code 1 with `--once` while a unit needs a person."""
    clock, console = SystemClock(), Console()
    listener = FleetListener(_broker(options), clock)
    listener.start()
    try:
        if options.once or options.json or options.plain or not console.is_terminal:
            return _lines(listener, clock, options)
        glyphs = ASCII if options.ascii else fitting_glyphs(console.encoding, os.environ)
        return _live(listener, clock, console, glyphs)
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


def _live(listener: FleetListener, clock: Clock, console: Console, glyphs: Glyphs) -> int:
    keys, stop = FleetKeys(), stop_on_signals()
    zone = zone_of(clock)
    drawn_seconds = -_DRAW_SECONDS
    names: list[str] = []
    with Keyboard() as keyboard, Live(console=console, screen=True, auto_refresh=False) as live:
        while not keys.quitting and not stop.is_set():
            now = clock.monotonic_seconds()
            if now - drawn_seconds >= _DRAW_SECONDS:
                known = told(listener.book.units(clock.utc_seconds()), zone)
                names = [one.name for one in keys.finder.found(known)]
                width, height = console.size
                look = Look(
                    width=width, height=height, glyphs=glyphs, zone=zone, chosen=keys.chosen, keys=keyboard.present
                )
                inside = next((one.unit for one in known if one.name == keys.looking_into), None)
                rows = unit_lines(inside, look) if inside else fleet_lines(known, look, keys.finder, listener.trouble)
                live.update(Group(*rows), refresh=True)
                drawn_seconds = now
            if key := keyboard.read(_LOOK_SECONDS):
                keys.press(key, names)
                if keys.looking_into:
                    listener.look_into(keys.looking_into)
                drawn_seconds = -_DRAW_SECONDS
    return 0


def _lines(listener: FleetListener, clock: Clock, options: argparse.Namespace) -> int:
    """Plain lines or JSON: once, or again whenever a unit's answer changes."""
    stop, zone = stop_on_signals(), zone_of(clock)
    begun = clock.monotonic_seconds()
    while listener.trouble and not clock.wait(stop, 0.1):
        if clock.monotonic_seconds() - begun >= _PATIENCE_SECONDS:
            raise BrokerError(listener.trouble)
    clock.wait(stop, _SETTLE_SECONDS)
    before: dict[str, str] = {}
    while True:
        known = told(listener.book.units(clock.utc_seconds()), zone)
        for one, words in zip(known, fleet_words(known), strict=True):
            news = words.split(", for ")[0]  # the length of a silence changes every second and is no news
            if before.get(one.name) != news:
                say_lines([_json(one) if options.json else words])
            before[one.name] = news
        if options.once:
            return 1 if any(one.needs_a_person for one in known) else 0
        if clock.wait(stop, _DRAW_SECONDS):
            return 0


def _json(one: Told) -> str:
    snapshot = one.unit.snapshot
    return json.dumps(
        {
            "unit": one.name,
            "online": not one.offline,
            "needs_a_person": one.needs_a_person,
            "answer": one.answer.sentence,
            "brooders": {brooder.name: brooder.celsius for brooder in snapshot.brooders},
            "dishes": {dish.name: dish.state.value for dish in snapshot.dishes},
            "alarms": [f"{alarm.place}/{alarm.condition.value}" for alarm in snapshot.alarms if alarm.standing],
        },
        ensure_ascii=False,
    )
