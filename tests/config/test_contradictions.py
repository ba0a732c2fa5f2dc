"""What no single key can know: a contradiction is refused with its key and remedy, and its like that fits is taken."""

import pytest

from sensord.config.loading import parse
from sensord.errors import ConfigError

TWO = """
[probes.air]
rom = "28-00000000000a"
place = "brooder"
[probes.spoon]
rom = "28-00000000000b"
place = "dish"
"""
NEST = '[brooders.nest]\nprobes = ["air"]\nband = { low_celsius = 33, high_celsius = 36 }\n'
SUPPER = '[dishes.supper]\nprobe = "spoon"\n'


def refusal(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        parse(TWO + text, "sensord.toml")
    return str(caught.value)


@pytest.mark.parametrize(
    ("wrong", "told", "right"),
    [
        (
            '[mqtt]\nhost = "h"\npassword_file = "/p"',
            "mqtt.password_file: a password without a username is of no use: add mqtt.username",
            '[mqtt]\nhost = "h"\npassword_file = "/p"\nusername = "me"',
        ),
        (
            '[mqtt]\nhost = "h"\ncertificate_file = "/c"',
            "mqtt.certificate_file: a client certificate needs certificate_file and key_file both",
            '[mqtt]\nhost = "h"\ncertificate_file = "/c"\nkey_file = "/k"',
        ),
        (
            '[mqtt]\nhost = "h"\nkey_file = "/k"',
            "needs certificate_file and key_file both",
            '[mqtt]\nhost = "h"\nusername = "me"',
        ),
        (
            "[formula]\nprotein_percent = 50\nfat_percent = 32",
            "formula: the parts sum to 100.5 %: no more than 100 % can be in it, see the label",
            "[formula]\nprotein_percent = 50\nfat_percent = 31.5",
        ),
        (
            "[kitchen]\nkettle_celsius = 18",
            "kitchen.kettle_celsius: is not above tap_celsius (18): exchange them",
            "[kitchen]\nkettle_celsius = 19",
        ),
        (
            "[kitchen]\nkettle_celsius = 95\naltitude_metres = 2500",
            "altitude_metres = 2500 (got 95): lower it",
            "[kitchen]\nkettle_celsius = 91\naltitude_metres = 2500",
        ),
        (
            "[chime]\nlamp_pin = 24\nlamp_pins = [5, 6, 13]",
            "chime.lamp_pins: give lamp_pin (one lamp) or lamp_pins (red, green, blue), not both",
            "[chime]\nlamp_pins = [5, 6, 13]",
        ),
        (
            '[chime]\nkind = "active"\npin = 18\nnight_level = 0.5\nnight = "22:00-06:00"',
            "chime.night_level: only a passive buzzer can be played softer",
            '[chime]\nkind = "passive"\npin = 18\nnight_level = 0.5\nnight = "22:00-06:00"',
        ),
        (
            '[chime]\nkind = "passive"\npin = 18\nnight_level = 0.5',
            'chime.night_level: needs to know when night is: add night = "22:00-06:00"',
            '[chime]\nkind = "passive"\npin = 18\nnight = "22:00-06:00"',
        ),
        (
            "[chime]\nlamp_pins = [5, 6, 5]",
            "chime.lamp_pins: GPIO 5 is already used by chime.lamp_pins: choose another pin",
            "[chime]\nlamp_pins = [5, 6, 7]",
        ),
        (
            "[buttons]\nbatch_pin = 4",
            "buttons.batch_pin: GPIO 4 is already used by the one-wire bus (GPIO 4): choose another pin",
            "[buttons]\nbatch_pin = 17",
        ),
        (
            NEST + '[dishes.nest]\nprobe = "spoon"',
            "dishes.nest: a brooder has the same name: alarms could not be told apart, rename one",
            NEST + SUPPER,
        ),
        (
            SUPPER + '[dishes.second]\nprobe = "spoon"',
            "dishes.second.probe: probe 'spoon' is already used by 'supper'",
            SUPPER,
        ),
        (
            '[brooders.nest]\nprobes = ["air"]',
            "brooders.nest: needs a band, or a profile with hatched or stage",
            NEST,
        ),
        (
            NEST.replace("high_celsius = 36", "high_celsius = 33"),
            "brooders.nest.band: the band is upside down: exchange low_celsius and high_celsius",
            NEST,
        ),
    ],
)
def test_a_contradiction_is_told_with_its_key_and_remedy_and_its_like_that_fits_is_taken(
    wrong: str, told: str, right: str
) -> None:
    assert told in refusal(wrong)
    parse(TWO + right, "sensord.toml")


def test_water_boils_at_its_own_temperature_up_there() -> None:
    """93.32 °C at 2000 m: BOI-13 of tests/data/physics_checks.json; the weather adds at most 0.6 (BOI-16)."""
    assert "water boils at 93.3 °C" in refusal("[kitchen]\nkettle_celsius = 95\naltitude_metres = 2000")
    parse(TWO + "[kitchen]\nkettle_celsius = 93.8\naltitude_metres = 2000", "sensord.toml")


def test_a_long_wrong_value_is_not_told_whole() -> None:
    told = refusal(f'[unit]\nname = "{"x" * 500}"')
    assert len(told) < 300
    assert "xxx…" in told


DISH = TWO + SUPPER
BROODER = TWO + NEST


@pytest.mark.parametrize(
    ("begin", "key", "least", "most"),
    [
        ("[alarms]\n", "pause_seconds", 10, 600),
        ("[alarms]\n", "shelve_seconds", 30, 3600),
        ("[alarms]\n", "reminder_seconds", 60, 7200),
        ("[alarms]\n", "rearm_seconds", 300, 14_400),
        ("[alarms]\nlocal_silence_seconds = 86400\n", "network_silence_seconds", 0, 43_200),
        ("[alarms]\nnetwork_silence_seconds = 0\n", "local_silence_seconds", 600, 86_400),
        ("[one_wire]\n", "interval_seconds", 0.5, 60),
        ("[one_wire]\n", "deadline_seconds", 2, 60),
        (BROODER, "on_delay_seconds", 0, 1800),
        (BROODER, "off_delay_seconds", 0, 1800),
        (BROODER, "deadband_celsius", 0, 3),
        (DISH, "uptake_seconds", 0, 1800),
        (DISH, "batch_limit_seconds", 300, 7200),
        (DISH, "probability", 0.5, 0.999),
        ("[history]\n", "flush_seconds", 1, 300),
        ("[history]\n", "fine_days", 1, 60),
        ("[history]\n", "minute_days", 8, 3650),
    ],
)
def test_no_key_goes_beyond_what_it_may(begin: str, key: str, least: float, most: float) -> None:
    """Chosen, not from a source: long enough for every use that was thought of, too short to forget a chick."""
    for good in (least, most):
        parse(f"{begin}{key} = {good}\n", "sensord.toml")
    step = 1 if "days" in key else 0.002
    for bad in (least - step, most + step):
        with pytest.raises(ConfigError, match=rf"{key}: give (at least|at most|less than|more than)"):
            parse(f"{begin}{key} = {bad}\n", "sensord.toml")
