"""README: nothing received keeps a standing danger silent beyond what the config allows; heard on the horn's pin."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from sensord.watch.events import Origin
from tests.fort.silences import ATTACKS, SETTINGS, silence_under

NETWORK, LOCAL, REARM = 600.0, 900.0, 300.0
RULES = replace(
    SETTINGS.alarms,
    rearm_seconds=REARM,
    shelve_seconds=200.0,
    silence_seconds={Origin.MQTT: NETWORK, Origin.CONTROL: LOCAL},
)
TOP = Path(__file__).parents[2]
PROMISING = ("README.md", "docs/alarms.md", "docs/mqtt.md", "config/mosquitto-acl.example")
BURST = 9.0
"""A burst and the rest after it: what a second's tick and the pattern may add to a limit."""
MOST = {"network": NETWORK, "socket": LOCAL, "button": 2000.0}


@pytest.mark.parametrize("name", ATTACKS)
def test_renewal_does_not_add_up_beyond_the_limit_of_its_way_in(name: str) -> None:
    is_danger, _ = ATTACKS[name]
    found = silence_under(name, 2000.0, RULES)
    assert found.total_seconds <= MOST[name.split(":")[0].split()[0]] + BURST
    assert found.longest_seconds <= (LOCAL if name.startswith("socket") else NETWORK) + BURST
    if is_danger:
        assert found.first_sounding_seconds >= 10.0


def test_the_papers_promise_what_is_heard_here() -> None:
    """Said where it is read before a broker is opened; the figures are those that a config without a word has."""
    said = {name: re.sub(r"[#\s]+", " ", (TOP / name).read_text()) for name in PROMISING}
    assert "once or renewed each second, keeps a standing alarm silent for longer in all than" in said["README.md"]
    assert "`alarms.network_silence_seconds` (an hour) until somebody at the unit has answered" in said["README.md"]
    assert all("network_silence_seconds" in text for text in said.values())
    assert SETTINGS.alarms.silence_seconds == {Origin.MQTT: 3600.0, Origin.CONTROL: 4 * 3600.0}


def test_a_press_silences_for_no_longer_than_the_re_alarm() -> None:
    assert silence_under("button held down, a press a second", 2000.0, RULES).longest_seconds <= REARM + BURST
