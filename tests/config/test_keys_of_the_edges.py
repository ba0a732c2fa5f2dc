"""Every key that an edge goes by is turned, and what it changes is seen at the pin, on the wire or in the file."""

import io
import json
import sqlite3
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from sensord.cli import main
from sensord.clock import FastClock, SystemClock
from sensord.config.folders import Places
from sensord.config.kitchen import bowlful, dry_formula
from sensord.config.loading import parse
from sensord.config.sections import ChimeSection, Config
from sensord.demo.fake_tree import FakeProbe
from sensord.errors import WiringError
from sensord.history.history_file import HistoryFile
from sensord.history.history_writer import History
from sensord.mqtt import publishing
from sensord.pins.buttons import Buttons
from sensord.pins.chime import Chime
from sensord.pins.factory import open_factory
from sensord.probes.bus import Method
from sensord.probes.probe_reader import ProbeReader
from sensord.readings import FaultKind, Reading
from sensord.run.journal import Journal
from sensord.run.service import build
from sensord.watch.command_table import Acknowledge, StartBatch
from sensord.watch.cues import Priority
from sensord.watch.effects import Alerting, Measured
from sensord.watch.events import Command, Event
from tests.config.turning import AIR, PASTE, TURNED, config, turns
from tests.helpers.failing_tree import FailingTree, Failure
from tests.helpers.fake_clock import FakeClock
from tests.helpers.recorded_pins import StepClock, beeps, recording_factory
from tests.helpers.tiny_broker import Caller, TinyBroker
from tests.mqtt.world import snapshot
from tests.probes.heard import Heard

# --- The unit and the bus ---------------------------------------------------------------------------------------------


@turns("unit.state_folder", "unit.socket", "history.enabled")
def test_the_daemon_keeps_its_things_where_the_config_says(tmp_path: Path) -> None:
    state, own_socket = tmp_path / "kept", tmp_path / "own.sock"
    text = f'[unit]\nstate_folder = "{state}"\nsocket = "{own_socket}"\n[history]\nenabled = {{}}\n'
    for enabled, kept in (("false", []), ("true", ["history.db"])):
        held_to = parse(text.format(enabled), "sensord.toml")
        places = Places.of(held_to, tmp_path / "usual.sock", {})
        daemon = build(held_to, SystemClock(), places, Journal(io.StringIO()))
        thread = threading.Thread(target=daemon.run)
        thread.start()
        there = _within(5, own_socket.exists)
        daemon.stop()
        thread.join()
        assert there
        assert [path.name for path in sorted(state.glob("*.db"))] == kept
    assert not (tmp_path / "usual.sock").exists()


def _within(seconds: float, met: Callable[[], bool]) -> bool:
    clock, end = SystemClock(), SystemClock().monotonic_seconds() + seconds
    while not met() and clock.monotonic_seconds() < end:
        clock.wait(threading.Event(), 0.02)
    return met()


@contextmanager
def read(
    folder: Path, keys: str, *, air: str = AIR, fail: Failure | None = None
) -> Iterator[tuple[ProbeReader, Heard]]:
    """The reader of a config on a tree with two probes, twenty times as fast as life."""
    clock, heard = FastClock(20.0), Heard()
    probes = [FakeProbe(rom=AIR, celsius=lambda _s: 34.5), FakeProbe(rom=PASTE, celsius=lambda _s: 21.0)]
    with FailingTree(folder / "tree", clock, probes) as tree:
        if fail is not None:
            tree.fail(AIR, fail)
        text = f'[one_wire]\nroot = "{tree.root}"\n{keys}\n[probes.air]\nrom = "{air}"\nplace = "brooder"\n'
        held_to = parse(text, "sensord.toml")
        reader = ProbeReader(held_to.one_wire, {"air": held_to.probes["air"].rom}, clock, heard)
        reader.start()
        try:
            yield reader, heard
        finally:
            reader.close()


@turns("one_wire.root", "probes.rom")
def test_the_probe_of_that_id_in_that_tree_is_read(tmp_path: Path) -> None:
    """`rom` says which, `root` where."""
    with read(tmp_path, "") as (_, heard):
        assert heard.reading("air").celsius == 34.5
    with read(tmp_path / "other", "", air=PASTE) as (_, heard):
        assert heard.reading("air").celsius == 21.0
    elsewhere = parse('[one_wire]\nroot = "/nowhere"', "sensord.toml").one_wire
    heard = Heard()
    reader = ProbeReader(elsewhere, {"air": AIR}, FastClock(20.0), heard)
    reader.start()
    assert "/nowhere" in heard.fault("air", FaultKind.BUS_ERROR).detail
    reader.close()


@turns("one_wire.interval_seconds")
def test_probes_are_read_as_often_as_said(tmp_path: Path) -> None:
    def pause(seconds: float) -> float:
        with read(tmp_path / str(seconds), f"interval_seconds = {seconds}") as (_, heard):
            first = heard.reading("air")
            return heard.reading("air", after=1).seconds - first.seconds

    assert pause(20.0) >= 19.0 > pause(1.0)


@turns("one_wire.deadline_seconds")
def test_a_probe_that_does_not_answer_is_late_at_the_deadline(tmp_path: Path) -> None:
    def late(seconds: float) -> float:
        keys = f"deadline_seconds = {seconds}\ninterval_seconds = 60"
        with read(tmp_path / str(seconds), keys, fail=Failure.HANGING) as (_, heard):
            first = heard.fault("air", FaultKind.LATE).seconds
            return heard.fault("air", FaultKind.LATE, after=heard.count).seconds - first

    assert late(60.0) >= 60.0 > late(2.0)


@turns("one_wire.bulk_conversion")
def test_one_conversion_for_all_is_used_unless_switched_off(tmp_path: Path) -> None:
    for said, method in (("true", Method.BULK), ("false", Method.PARALLEL)):
        with read(tmp_path / said, f"bulk_conversion = {said}") as (reader, heard):
            heard.reading("air")
            assert reader.health().buses[0].method is method


# --- The kitchen ------------------------------------------------------------------------------------------------------


@pytest.fixture
def mixed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., dict[str, Any]]:
    """What `sensord mix --json` says with a config."""

    def mix(text: str, *words: str) -> dict[str, Any]:
        file = tmp_path / "sensord.toml"
        file.write_text(text, encoding="utf-8")
        main(["mix", "--config", str(file), "--json", *(words or ("--amount-ml", "100", "--solids", "25"))])
        told: dict[str, Any] = json.loads(capsys.readouterr().out)
        return told

    return mix


Mixed = Callable[..., dict[str, Any]]


@turns("kitchen.kettle_celsius", "kitchen.tap_celsius", "kitchen.room_celsius", "kitchen.altitude_metres")
def test_water_and_room_are_those_of_the_kitchen(mixed: Mixed) -> None:
    usual = mixed("")
    assert mixed("[kitchen]\nkettle_celsius = 70.0")["hot_celsius"] == 70.0
    assert mixed("[kitchen]\ntap_celsius = 10.0")["cool_celsius"] == 10.0
    # Water boils at 93.32 °C at 2000 m, at 99.97 °C at the sea: BOI-13 and BOI-08 of tests/data/physics_checks.json.
    high = mixed("[kitchen]\naltitude_metres = 2000.0")
    assert usual["hot_celsius"] - high["hot_celsius"] == pytest.approx(99.97 - 93.32, abs=0.02)
    assert mixed("[kitchen]\nroom_celsius = 5.0")["hot_millilitres"] > usual["hot_millilitres"]
    assert bowlful(parse("[kitchen]\nroom_celsius = 5.0", "sensord.toml")).supplies.room_celsius == 5.0


@turns("bowl.material", "bowl.grams")
def test_the_bowl_takes_its_heat(mixed: Mixed) -> None:
    none = mixed("")["hot_millilitres"]
    steel = mixed("[bowl]\nmaterial = 'steel'\ngrams = 200")["hot_millilitres"]
    ceramic = mixed("[bowl]\nmaterial = 'ceramic'\ngrams = 200")["hot_millilitres"]
    heavy = mixed("[bowl]\nmaterial = 'steel'\ngrams = 400")["hot_millilitres"]
    assert none < steel < ceramic
    assert heavy > steel


@turns("formula.solids_percent", "formula.profile", "formula.batch_millilitres")
def test_solids_and_amounts_are_the_formula_s(mixed: Mixed) -> None:
    how_much = ("--amount-ml", "100")
    assert mixed("[formula]\nsolids_percent = 20", *how_much)["solids_percent"] == 20.0
    assert mixed("[formula]\nsolids_percent = 30", *how_much)["solids_percent"] == 30.0
    aged = (*how_much, "--age-days", "10", "--solids", "12")
    parrots, pigeons = (mixed(f"[formula]\nprofile = '{name}'", *aged) for name in ("parrots", "pigeons-doves"))
    assert parrots["cautions"] != pigeons["cautions"]
    assert bowlful(parse("[formula]\nbatch_millilitres = 90", "x")).millilitres == 90
    assert bowlful(parse("[formula]\nsolids_percent = 30", "x")).solids == 0.3


@turns("formula.bulk_density_grams_per_millilitre")
def test_a_scoop_holds_what_its_density_says(mixed: Mixed) -> None:
    words = ("--amount-ml", "100", "--solids", "25", "--scoop-ml", "5")
    light, heavy = (mixed(f"[formula]\nbulk_density_grams_per_millilitre = {rho}", *words) for rho in (0.3, 0.6))
    assert light["dry_scoops"] == pytest.approx(2 * heavy["dry_scoops"], rel=0.1)


@turns(
    "formula.moisture_percent",
    "formula.protein_percent",
    "formula.fat_percent",
    "formula.fibre_percent",
    "formula.ash_percent",
)
def test_the_formula_is_what_its_label_says() -> None:
    label = (
        "[formula]\nmoisture_percent = 10\nprotein_percent = 20\nfat_percent = 12\nfibre_percent = 4\nash_percent = 6"
    )
    parts = dry_formula(parse(label, "sensord.toml"))
    assert (parts.water, parts.protein, parts.fat, parts.fibre, parts.ash) == (0.10, 0.20, 0.12, 0.04, 0.06)
    assert parts.carbohydrate == pytest.approx(0.48)
    assert bowlful(parse(label, "sensord.toml")).dry == parts


# --- Sound, light and buttons -----------------------------------------------------------------------------------------


class Sounded:
    """A chime of a config on pins that note what they do."""

    def __init__(self, **keys: Any) -> None:
        self.clock = StepClock()
        self.factory, self.changes = recording_factory(self.clock)
        self.chime = Chime(ChimeSection(**{"self_test": False, **keys}), self.clock, self.factory)

    def alarm(self, priority: Priority = Priority.HIGH) -> "Sounded":
        now = self.clock.monotonic_seconds()
        self.chime.handle(Alerting(seconds=now, priority=priority, lamp=priority, flashing=True))
        self.clock.run(3.0, lambda: self.chime._next_seconds)
        return self

    def duties(self, pin: int) -> set[float]:
        return {round(change.value, 3) for change in self.changes if change.pin == pin and change.value}

    def close(self) -> None:
        self.chime.close()
        self.factory.close()


@pytest.fixture
def sounded() -> Iterator[Callable[..., Sounded]]:
    made: list[Sounded] = []

    def make(**keys: Any) -> Sounded:
        made.append(Sounded(**keys))
        return made[-1]

    yield make
    for each in made:
        each.close()


@turns("chime.kind", "chime.pin", "chime.lamp_pin", "chime.lamp_pins")
def test_buzzer_and_lamp_are_on_the_pins_named(sounded: Callable[..., Sounded]) -> None:
    active = sounded(kind="active", pin=17).alarm()
    assert {hertz for _, _, hertz in beeps(active.changes, 17)} == {None}
    passive = sounded(kind="passive", pin=12).alarm()
    assert None not in {hertz for _, _, hertz in beeps(passive.changes, 12)} != set()
    silent = sounded(kind="none", lamp_pin=22).alarm()
    assert {change.pin for change in silent.changes if change.value} == {22}
    coloured = sounded(kind="none", lamp_pins=(5, 6, 13)).alarm()
    assert {change.pin for change in coloured.changes if change.value} == {5}  # red


@turns("chime.self_test")
def test_the_sounds_are_played_at_the_start_unless_switched_off(sounded: Callable[..., Sounded]) -> None:
    for said, heard in ((True, True), (False, False)):
        chime = sounded(kind="active", pin=17, self_test=said)
        chime.clock.run(5.0, lambda chime=chime: chime.chime._next_seconds)  # type: ignore[misc]
        assert bool(beeps(chime.changes, 17)) is heard


@turns("chime.night", "chime.night_level")
@pytest.mark.parametrize(
    ("at", "softer"),
    [
        ("21:59", False),
        ("22:00", True),
        ("23:59", True),
        ("00:01", True),
        ("03:00", True),
        ("06:29", True),
        ("06:30", False),
    ],
)
def test_a_passive_buzzer_is_softer_from_evening_to_morning_and_never_in_danger(
    at: str, softer: bool, sounded: Callable[..., Sounded]
) -> None:
    """Also after midnight: a night that ends there would wake the house."""
    chime = sounded(kind="passive", pin=12, night="22:00-06:30", night_level=0.2)
    chime.clock.set_wall_clock(datetime.fromisoformat(f"2026-07-10T{at}").astimezone().timestamp())
    (level,) = chime.alarm(Priority.MEDIUM).duties(12)
    plain = sounded(kind="passive", pin=12)
    (full,) = plain.alarm(Priority.MEDIUM).duties(12)
    assert level == pytest.approx(0.2 * full if softer else full, rel=0.01)
    assert chime.alarm(Priority.HIGH).duties(12) == {level, full}


@turns("chime.factory")
def test_the_pins_are_driven_by_the_library_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    made = open_factory(parse('[chime]\nfactory = "mock"', "x").chime.factory, "chime.factory")
    assert isinstance(made, MockFactory)
    made.close()
    with pytest.raises(WiringError, match=r"chime\.factory"):
        Chime(ChimeSection(kind="active", pin=17, factory="pigpio"), FakeClock())


@turns("buttons.acknowledge_pin", "buttons.batch_pin")
def test_each_button_is_on_its_pin() -> None:
    section = parse("[buttons]\nacknowledge_pin = 23\nbatch_pin = 24", "sensord.toml").buttons
    factory, inbox = MockFactory(), list[Event]()
    buttons = Buttons(section, FakeClock(5.0), inbox.append, factory, dish="supper")
    for pin in (23, 24):
        factory.pin(f"GPIO{pin}").drive_low()
        factory.pin(f"GPIO{pin}").drive_high()
    assert [type(event) for event in inbox] == [Acknowledge, StartBatch]
    buttons.close()
    factory.close()


# --- MQTT -------------------------------------------------------------------------------------------------------------


class Published:
    """The MQTT output of a config, and what it delivered."""

    def __init__(self, held_to: Config, folder: Path) -> None:
        assert held_to.mqtt is not None
        self.delivered: list[Command] = []
        self.output = publishing.open_publisher(held_to, held_to.mqtt, folder, SystemClock(), self.delivered.append)
        self.output.start()


@pytest.fixture
def published(tmp_path: Path) -> Iterator[Callable[..., Published]]:
    made: list[Published] = []

    def start(port: int, keys: str = "", host: str = "127.0.0.1", more: str = "") -> Published:
        held_to = config(f'{more}\n[mqtt]\nhost = "{host}"\nport = {port}\n{keys}')
        made.append(Published(held_to, tmp_path / f"state{len(made)}"))
        return made[-1]

    yield start
    for each in made:
        each.output.close()


Publish = Callable[..., Published]


def is_in(caller: Caller) -> bool:
    """Whether it has said that it is there, which comes after everything that a login brings with it."""
    return any(topic.endswith("/status") for topic, _ in caller.published)


@turns("mqtt.host", "mqtt.port", "mqtt.base", "unit.name")
def test_it_calls_the_broker_named_under_its_base_and_name(published: Publish) -> None:
    """`host` and `port` say where."""
    with TinyBroker() as broker:
        published(broker.port)
        assert broker.wait(is_in).will == "sensord/nursery/status"
    with TinyBroker() as broker:
        published(broker.port, 'base = "station/birds"', host="localhost", more='[unit]\nname = "attic"')
        assert broker.wait(is_in).will == "station/birds/attic/status"
    lost = published(1, host="no-such-host.invalid")  # RFC 6761: .invalid never resolves
    assert _within(10, lambda: "no-such-host.invalid" in lost.output.words())


@turns("mqtt.username", "mqtt.password_file", "mqtt.keepalive_seconds", "mqtt.version")
def test_it_introduces_itself_as_the_config_says(published: Publish, tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text("seedling-7\n", encoding="utf-8")
    secret.chmod(0o600)
    with TinyBroker() as broker:
        published(broker.port)
        plain = broker.wait(is_in)
        assert (plain.username, plain.password, plain.keepalive, plain.level) == (None, None, 20, 5)
    keys = f'username = "me"\npassword_file = "{secret}"\nkeepalive_seconds = 5\nversion = "3.1.1"'
    with TinyBroker() as broker:
        published(broker.port, keys)
        turned = broker.wait(is_in)
        assert (turned.username, turned.password, turned.keepalive, turned.level) == ("me", "seedling-7", 5, 4)
    with TinyBroker(levels=(4,)) as broker:
        published(broker.port, 'version = "auto"')
        assert broker.wait(is_in).level == 4
    with TinyBroker(levels=(4,)) as broker:
        published(broker.port, 'version = "5"')
        assert broker.stays_away(3.0)


@turns("mqtt.read_only")
def test_a_read_only_unit_obeys_nobody_and_says_so(published: Publish) -> None:
    with TinyBroker() as broker:
        open_to_all = published(broker.port)
        caller = broker.wait(lambda caller: is_in(caller) and "sensord/nursery/do/+" in caller.filters)
        broker.send("sensord/nursery/do/acknowledge", b"PRESS")
        assert _within(10, lambda: len(open_to_all.delivered) == 1)
        assert any(b"do/acknowledge" in payload for _, payload in caller.published)
    with TinyBroker() as broker:
        closed = published(broker.port, "read_only = true")
        caller = broker.wait(lambda caller: is_in(caller) and "sensord/nursery/do/+" in caller.filters)
        assert not any(b"/do/" in payload for _, payload in caller.published)  # no hub is offered a button
        broker.send("sensord/nursery/do/acknowledge", b"PRESS")
        assert _within(10, lambda: bool(caller.said("sensord/nursery/done")))
        (answer,) = map(json.loads, caller.said("sensord/nursery/done"))
        assert not answer["done"]
        assert "read_only" in answer["reason"]
        assert closed.delivered == []


@turns("mqtt.interval_seconds")
def test_readings_are_published_as_often_as_said(published: Publish) -> None:
    def times(keys: str) -> int:
        with TinyBroker() as broker:
            unit = published(broker.port, keys)
            caller = broker.wait(is_in)
            clock = SystemClock()
            for _ in range(30):
                unit.output.handle(snapshot())
                clock.wait(threading.Event(), 0.1)
            return len(caller.said("sensord/nursery/probe/air"))

    assert times("interval_seconds = 1") >= 2 > 1 >= times("interval_seconds = 60")


@turns(
    "mqtt.discovery.enabled",
    "mqtt.discovery.prefix",
    "mqtt.discovery.form",
    "mqtt.discovery.birth_topic",
    "mqtt.discovery.birth_payload",
)
def test_a_hub_is_told_as_the_config_says(published: Publish) -> None:
    def told(keys: str, birth: tuple[str, bytes]) -> tuple[set[str], int]:
        """The topics of what a hub is told, and how often the first of them is said after the hub's birth."""
        with TinyBroker() as broker:
            published(broker.port, f"[mqtt.discovery]\n{keys}")
            caller = broker.wait(is_in)
            topics = {topic for topic, _ in caller.published if topic.endswith("/config")}
            broker.send(*birth)
            again = next(iter(sorted(topics)), "")
            _within(12 if topics else 1, lambda: len(caller.said(again)) > 1)
            return topics, len(caller.said(again))

    assert told("", ("homeassistant/status", b"online")) == ({"homeassistant/device/sensord_nursery/config"}, 2)
    assert told("enabled = false", ("homeassistant/status", b"online")) == (set(), 0)
    keys = 'prefix = "hub"\nform = "entity"\nbirth_topic = "hub/birth"\nbirth_payload = "up"'
    topics, said = told(keys, ("hub/birth", b"up"))
    assert len(topics) > 10
    assert {topic.split("/")[0] for topic in topics} == {"hub"}
    assert said == 2


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority; server certificates for `localhost` and for another name; a client's; a stranger's authority."""
    folder = tmp_path_factory.mktemp("tls")

    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    for name in ("ca", "stranger"):
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", f"{name}.key", "-out", f"{name}.crt",
                "-subj", f"/CN={name}", "-days", "2")  # fmt: skip
    for name, host in (("right", "localhost"), ("wrong", "elsewhere.example"), ("client", "nursery")):
        (folder / f"{name}.ext").write_text(f"subjectAltName=DNS:{host}\n")
        openssl("req", "-newkey", "rsa:2048", "-nodes", "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj",
                f"/CN={host}")  # fmt: skip
        openssl("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-out",
                f"{name}.crt", "-days", "2", "-extfile", f"{name}.ext")  # fmt: skip
    return folder


def behind_tls(folder: Path, name: str, *, asks_for_certificate: bool = False) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / f"{name}.crt", folder / f"{name}.key")
    if asks_for_certificate:
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(folder / "ca.crt")
    return context


@turns("mqtt.tls", "mqtt.ca_file")
def test_over_tls_it_believes_only_its_authority_and_the_host_s_own_name(
    certificates: Path, published: Publish
) -> None:
    trusted, stranger = (f'ca_file = "{certificates}/{name}.crt"' for name in ("ca", "stranger"))
    with TinyBroker(behind_tls(certificates, "right")) as broker:
        published(broker.port, trusted, host="localhost")
        broker.wait(is_in)
    for server, keys, words in (
        ("wrong", trusted, "not trusted"),  # a good certificate, made for another host
        ("right", stranger, "not trusted"),
        ("right", "tls = true", "not trusted"),  # the system's authorities do not know ours
        ("right", "tls = false", ""),
    ):
        with TinyBroker(behind_tls(certificates, server)) as broker:
            unit = published(broker.port, keys, host="localhost")
            assert broker.stays_away(1.5)
            assert words in unit.output.words()
    with TinyBroker() as broker:  # one that speaks no TLS
        published(broker.port, "tls = true")
        assert broker.stays_away(1.5)


@turns("mqtt.certificate_file", "mqtt.key_file")
def test_it_shows_its_own_certificate_where_it_has_one(certificates: Path, published: Publish) -> None:
    keys = f'ca_file = "{certificates}/ca.crt"'
    with TinyBroker(behind_tls(certificates, "right", asks_for_certificate=True)) as broker:
        published(broker.port, keys, host="localhost")
        assert broker.stays_away(1.5)
        keys += f'\ncertificate_file = "{certificates}/client.crt"\nkey_file = "{certificates}/client.key"'
        published(broker.port, keys, host="localhost")
        broker.wait(is_in)
    mismatched = published(1, keys.replace("client.key", "stranger.key"))
    assert _within(10, lambda: "do not fit together" in mismatched.output.words())


# --- History ----------------------------------------------------------------------------------------------------------


def kept(folder: Path, keys: str, hours: int) -> tuple[float, float]:
    """Hours of readings, and of minutes, that are left after so many hours of a reading each half hour."""
    clock = FakeClock()
    history = History(HistoryFile(folder, clock), parse(f"[history]\n{keys}", "sensord.toml").history, clock)
    for _ in range(2 * hours):
        history.handle(Measured(Reading("air", clock.monotonic_seconds(), 34.0), 0.5))
        clock.advance(1800.0)
    history.close()
    return _span(folder, "reading", "at_ms", 3_600_000), _span(folder, "minute", "at_s", 3600)


def _span(folder: Path, table: str, column: str, hour: int) -> float:
    with sqlite3.connect(folder / "history.db") as connection:
        (span,) = connection.execute(f"SELECT max({column}) - min({column}) FROM {table}").fetchone()
    return float(span) / hour


@turns("history.fine_days", "history.minute_days")
def test_readings_and_minutes_are_kept_for_the_days_said(tmp_path: Path) -> None:
    fine, minutes = kept(tmp_path / "short", "fine_days = 1\nminute_days = 8", 11 * 24)
    assert fine <= 27
    assert 7 * 24 <= minutes <= 8 * 24 + 3
    fine, minutes = kept(tmp_path / "long", "fine_days = 3\nminute_days = 30", 11 * 24)
    assert 2 * 24 < fine <= 3 * 24 + 3
    assert minutes > 10 * 24


@turns("history.flush_seconds")
def test_readings_reach_the_disk_as_often_as_said(tmp_path: Path) -> None:
    def on_disk(seconds: int) -> int:
        clock = FakeClock()
        folder = tmp_path / str(seconds)
        section = parse(f"[history]\nflush_seconds = {seconds}", "sensord.toml").history
        history = History(HistoryFile(folder, clock), section, clock)
        for second in range(60):
            history.handle(Measured(Reading("air", clock.monotonic_seconds(), 34.0 + second / 16), 0.5))
            clock.advance(1.0)
        if not (folder / "history.db").exists():
            return 0
        with sqlite3.connect(folder / "history.db") as connection:
            (count,) = connection.execute("SELECT count(*) FROM reading").fetchone()
        history.close()
        return int(count)

    assert on_disk(10) >= 40
    assert on_disk(40) in range(20, 42)
    assert on_disk(300) <= 1


def test_every_key_has_a_test_that_turns_it() -> None:
    from tests.config import test_keys_of_the_rules  # noqa: F401  its tests say what they turn

    assert sorted(_keys(Config, "")) == sorted(TURNED)


def _keys(model: Any, path: str) -> Iterator[str]:
    """`section.key` of every key, names of probes, brooders and dishes left out."""
    for name, field in model.model_fields.items():
        here = f"{path}.{name}" if path else name
        inner = list(_models(field.annotation))
        if path and (not inner or name == "band"):
            yield here
        for each in inner:
            yield from _keys(each, here)


def _models(annotation: Any) -> Iterator[Any]:
    if hasattr(annotation, "model_fields"):
        yield annotation
    else:
        for part in getattr(annotation, "__args__", ()):
            yield from _models(part)
