"""hardware.md and its picture agree with each other, with the README, with the config, and with the Pi's own header."""

import re
import tomllib
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from gpiozero.pins.pi import PiBoardInfo

from sensord.cli import VERBS
from sensord.config.loading import parse

TOP = Path(__file__).parents[2]
PAGE = (TOP / "hardware.md").read_text()
PICTURE = (TOP / "docs" / "wiring.svg").read_text()
ONE_WIRE_GPIO = 4
# Header pins of supply and ground that both drawings use.
SUPPLY = {1: "3V3", 2: "5V", 9: "GND", 14: "GND", 20: "GND", 34: "GND"}


def tables() -> str:
    return "\n".join(re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL))


def wanted() -> dict[int, str]:
    """GPIO number to the part that hangs on it, from the config on the page."""
    config = parse(tables(), "hardware.md")
    rgb = re.search(r"lamp_pins = \[(\d+), (\d+), (\d+)\]", PAGE)
    assert rgb is not None
    red, green, blue = (int(number) for number in rgb.groups())
    assert config.chime.lamp_pin == red
    pins = [config.chime.pin, red, config.buttons.acknowledge_pin, config.buttons.batch_pin]
    assert None not in pins
    return dict(
        zip(
            [ONE_WIRE_GPIO, *filter(None, pins), green, blue],
            ["DQ", "base", "lamp", "ack", "batch", "green", "blue"],
            strict=True,
        )
    )


def drawn_in_text() -> dict[int, int]:
    """Header pin to GPIO number, from the text drawing."""
    right = {int(pin): int(gpio) for pin, gpio in re.findall(r"o\s+(\d+)\s+GPIO (\d+)", PAGE)}
    left = {int(pin): int(gpio) for gpio, pin in re.findall(r"<-- GPIO (\d+)\s+(\d+)\s+o", PAGE)}
    return right | left


def test_the_config_on_the_page_is_accepted() -> None:
    assert parse(tables(), "hardware.md").chime.kind == "active"
    assert tomllib.loads(tables())["probes"]["dish"]["place"] == "dish"


def test_the_text_drawing_names_the_pins_as_the_header_has_them() -> None:
    # The header of a Pi 3 B (revision a02082), as gpiozero knows it; all 40-pin headers are alike.
    header = PiBoardInfo.from_revision(0xA02082).headers["J8"].pins
    drawn = drawn_in_text()
    assert set(drawn.values()) == set(wanted())
    assert {pin: header[pin].name for pin in drawn} == {pin: f"GPIO{gpio}" for pin, gpio in drawn.items()}
    assert {pin: header[pin].name for pin in SUPPLY} == SUPPLY


def test_the_picture_shows_the_same_pins() -> None:
    texts = [element.text or "" for element in ElementTree.fromstring(PICTURE).iter("{http://www.w3.org/2000/svg}text")]
    shown = {int(number) for text in texts for number in re.findall(r"^(?:data \()?GPIO (\d+)\)?$", text)}
    assert shown == set(wanted())
    used = re.findall(r'class="used" cx="\d+" cy="\d+" r="11"/>\s*<text[^>]*>(\d+)<', PICTURE)
    assert {int(pin) for pin in used} == set(drawn_in_text()) | set(SUPPLY)


def test_the_readme_names_the_same_pins() -> None:
    named = {int(number) for number in re.findall(r"GPIO (\d+)", (TOP / "README.md").read_text())}
    assert named
    assert named <= set(wanted())


def test_every_command_on_the_page_exists() -> None:
    verbs = set(re.findall(r"`sensord ([a-z]+)", PAGE))
    assert verbs
    assert verbs <= set(VERBS)


def test_buzzer_and_lamp_sit_on_pins_that_are_low_while_the_pi_boots() -> None:
    # BCM2835 ARM Peripherals, table 6-31: GPIO 0 to 8 pulled high after reset, 9 to 27 low, from memory.
    quiet = [gpio for gpio, part in wanted().items() if part in {"base", "lamp", "green", "blue"}]
    assert all(9 <= gpio <= 27 for gpio in quiet)


@pytest.mark.parametrize("part", ["food", "mains", "vet", "licensed", "local codes", "estimate", "from memory"])
def test_the_cautions_and_marks_are_there(part: str) -> None:
    assert part in PAGE
