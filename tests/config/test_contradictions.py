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
            "[formula]\nprotein_percent = 50\nfat_percent = 40",
            "formula: the parts sum to 108.5 %: no more than 100 % can be in it, see the label",
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
