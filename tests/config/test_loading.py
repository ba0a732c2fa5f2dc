"""A config that is wrong is refused, with file, line, key and remedy; one that is right says what it means."""

import tomllib
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from sensord.config.folders import load_profile
from sensord.config.loading import load, outdated, parse
from sensord.config.settings import check_hatch_dates, nursery_settings
from sensord.errors import ConfigError, unreadable

GOOD = """
[probes.air]
rom = "28-0000072431ab"
place = "brooder"

[probes.bowl]
rom = "28-0000072431ac"
place = "dish"

[brooders.nest]
probes = ["air"]
profile = "synthesis"
stage = "hatchling"

[dishes.supper]
probe = "bowl"

[chime]
kind = "active"
pin = 18
"""


def refusal(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        parse(text, "sensord.toml")
    return str(caught.value)


def test_a_good_config_is_taken_with_defaults() -> None:
    config = parse(GOOD, "sensord.toml")
    assert config.dishes["supper"].band.low_celsius == 36.0
    assert config.one_wire.root == Path("/sys/bus/w1/devices")
    assert config.mqtt is None


def test_a_key_of_an_earlier_version_stops_no_watch_and_is_told(caplog: pytest.LogCaptureFixture) -> None:
    old = GOOD.replace("pin = 18", 'pin = 18\n[mqtt]\nhost = "h"\nsenml = true')
    mqtt = parse(old, "sensord.toml").mqtt
    assert mqtt is not None
    assert mqtt.host == "h"
    told = "sensord.toml:23: mqtt.senml: is no longer published: the topics probe/<name> carry the same readings"
    assert told in caplog.text
    assert outdated(tomllib.loads(old), old, "sensord.toml")[0].startswith(told)
    assert outdated(tomllib.loads(GOOD), GOOD, "sensord.toml") == []


@pytest.mark.parametrize(
    ("change", "place", "words"),
    [
        (("pin = 18", "pin = 18\nvolume = 3"), "sensord.toml:21: chime.volume", "unknown key; known here: "),
        (("28-0000072431ac", "28-0000072431ab"), "sensord.toml:7: probes.bowl.rom", "also the ROM id of probe 'air'"),
        (("28-0000072431ac", "28-banana"), "sensord.toml:7: probes.bowl.rom", "a ROM id looks like"),
        (('probe = "bowl"', 'probe = "spoon"'), "sensord.toml:16: dishes.supper.probe", "no probe 'spoon'"),
        (('probe = "bowl"', 'probe = "air"'), "sensord.toml:16: dishes.supper.probe", 'should be "dish"'),
        (("dishes.supper", "dishes.unit"), "sensord.toml:15: dishes.unit", "the daemon's own alarms are: rename it"),
        (
            ("pin = 18", "pin = 18\n[alarms]\nlocal_silence_seconds = 900"),
            "sensord.toml:22: alarms.local_silence_seconds",
            "900 s is less than the 3600 s of network_silence_seconds",
        ),
        (("pin = 18", "pin = 4"), "sensord.toml:20: chime.pin", "already used by the one-wire bus"),
        (("pin = 18", ""), "sensord.toml:18: chime.pin", "needs its pin"),
        (('"synthesis"', '"dragons"'), "sensord.toml:12: brooders.nest.profile", "there is no profile 'dragons'"),
        (('"hatchling"', '"teenager"'), "sensord.toml:13: brooders.nest.stage", "teenager"),
        (('stage = "hatchling"', ""), "sensord.toml:12: brooders.nest.profile", "needs hatched"),
        (("[brooders.nest]", "[brooders.Nest]"), "sensord.toml", "a-z"),
        (('place = "dish"', 'place = "oven"'), "sensord.toml:8: probes.bowl.place", "'brooder', 'dish' or 'room'"),
    ],
)
def test_what_is_wrong_is_named_with_file_line_key_and_remedy(change: tuple[str, str], place: str, words: str) -> None:
    assert change[0] in GOOD
    told = refusal(GOOD.replace(*change))
    assert told.startswith(place)
    assert words in told


def test_an_upside_down_band_is_named() -> None:
    told = refusal(GOOD + "[dishes.supper.band]\nlow_celsius = 38\nhigh_celsius = 36\n")
    assert "dishes.supper.band" in told
    assert "exchange low_celsius and high_celsius" in told


def test_a_pin_used_twice_is_named() -> None:
    told = refusal(GOOD + "[buttons]\nacknowledge_pin = 18\n")
    assert "buttons.acknowledge_pin" in told
    assert "already used by chime.pin" in told


def test_everything_wrong_is_told_at_once() -> None:
    told = refusal(GOOD.replace("pin = 18", "pin = 4").replace('probe = "bowl"', 'probe = "spoon"'))
    assert len(told.splitlines()) == 2


def test_a_missing_or_broken_file_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="config --example"):
        load(tmp_path / "none.toml")
    broken = tmp_path / "broken.toml"
    broken.write_text("[unit]\n[probes\n")
    with pytest.raises(ConfigError, match=r"broken\.toml:2: not valid TOML"):
        load(broken)


def test_one_hatch_date_or_many_are_read() -> None:
    one = parse(GOOD.replace('stage = "hatchling"', "hatched = 2026-11-01"), "sensord.toml")
    assert one.brooders["nest"].hatch_dates == (date(2026, 11, 1),)
    many = parse(GOOD.replace('stage = "hatchling"', "hatched = [2026-11-01, 2026-11-04]"), "sensord.toml")
    assert len(many.brooders["nest"].hatch_dates) == 2


def test_a_hatch_date_that_cannot_be_is_refused_with_its_key() -> None:
    settings = nursery_settings(parse(GOOD.replace('stage = "hatchling"', "hatched = 2026-11-01"), "sensord.toml"))
    november = datetime(2026, 11, 5, tzinfo=UTC).timestamp()
    check_hatch_dates(settings, november)
    with pytest.raises(ConfigError, match=r"brooders\.nest\.hatched: .* in the future"):
        check_hatch_dates(settings, november - 30 * 86_400)
    with pytest.raises(ConfigError, match=r"brooders\.nest\.hatched: .* days ago"):
        check_hatch_dates(settings, november + 400 * 86_400)


LIBRARY_WORDS = ("Input should", "String should", "valid dictionary", "codec", "Errno", "Value error", "pattern '")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("[alarms]\npause_seconds = 9000", "alarms.pause_seconds: give at most 600 (yours: 9000)"),
        ("[alarms]\npause_seconds = 1", "alarms.pause_seconds: give at least 10 (yours: 1)"),
        ("[alarms]\nlatch_danger = 7", "alarms.latch_danger: give true or false, without quotes"),
        (
            "[bowl]\nmaterial = 'gold'\ngrams = 90",
            "bowl.material: give one of 'steel', 'glass', 'ceramic' or 'plastic'",
        ),
        ("[bowl]\nmaterial = 'steel'\ngrams = 0", "bowl.grams: give more than 0 (yours: 0)"),
        ("[kitchen]\ntap_celsius = 'cold'", "kitchen.tap_celsius: give a number, without quotes (yours: 'cold')"),
        ("[mqtt]\nhost = ''", "mqtt.host: it is empty: write something"),
        ("[mqtt]\nhost = 'x'\nport = 1.5", "mqtt.port: give a whole number (yours: 1.5)"),
        ("[mqtt]\nhost = 5", "mqtt.host: give text in quotes (yours: 5)"),
        ("[mqtt]\nhost = 'x'\ndiscovery = true", "mqtt.discovery: this is a table: write [mqtt.discovery]"),
        ("[unit]\nsocket = 5", "unit.socket: give the path of a file in quotes"),
        ("[buttons]\nbatch_pin = 'a'", "buttons.batch_pin: give a whole number, without quotes"),
        ("[brooders.b]\nprobes = []", "brooders.b.probes: the list is empty: name at least one"),
        ("[brooders.b]\nprobes = 'air'", "brooders.b.probes: give a list in square brackets"),
        (
            "[brooders.b]\nprobes = ['air']\nhatched = 'may'",
            "brooders.b.hatched: give a day such as 2026-05-04, or a list",
        ),
        ("[dishes.supper]\n", "[dishes.supper] is there already: put its lines together under one heading"),
    ],
)
def test_a_wrong_value_is_told_in_plain_words(more: str, words: str) -> None:
    told = refusal(f"{GOOD}{more}\n")
    assert words in told
    assert not [word for word in LIBRARY_WORDS if word in told]


@pytest.mark.parametrize("night", ["29:00-07:00", "24:00-07:00", "22-7", "22:00", "22:00-06:60"])
def test_a_night_that_no_clock_knows_is_refused_with_an_example(night: str) -> None:
    told = refusal(GOOD.replace("pin = 18", f'pin = 18\nnight = "{night}"'))
    assert "chime.night: give from when to when, such as 22:00-06:30" in told


def test_a_probes_table_that_is_none_is_named() -> None:
    assert "write [probes.NAME] and its keys below" in refusal("probes = 3")


def test_the_mark_that_some_editors_begin_utf_8_with_is_no_mistake(tmp_path: Path) -> None:
    marked = tmp_path / "sensord.toml"
    marked.write_text(GOOD, encoding="utf-8-sig")
    assert load(marked).dishes


def test_a_file_that_cannot_be_read_is_named_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="it is a folder, name a file in it"):
        load(tmp_path)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(GOOD.encode() + b"# caf\xe9\n")
    with pytest.raises(ConfigError, match=r"latin\.toml: .*line 21 is not UTF-8 text, save it as UTF-8"):
        load(latin)
    assert "chmod a+r" in unreadable(PermissionError(13, "Permission denied"))
    assert unreadable(OSError(5, "Input/output error")) == "cannot be read: input/output error"


@pytest.mark.parametrize("text", [f"x = {'[' * 1000}{']' * 1000}", f"x = {'9' * 5000}", "x = " + "{a=" * 900])
def test_nesting_without_end_and_endless_numbers_are_one_sentence(text: str, tmp_path: Path) -> None:
    assert "sensord.toml: not valid TOML" in refusal(text) or "sensord.toml:1: not valid TOML" in refusal(text)
    own = tmp_path / "own.toml"
    own.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"own\.toml: not valid TOML"):
        load_profile(str(own))
