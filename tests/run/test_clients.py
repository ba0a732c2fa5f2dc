"""A keeper's verbs against a daemon that runs: answered, refused with a reason, and not surprised when it dies."""

import json
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.helpers.daemon_house import House
from tests.helpers.program import ROOT, SENSORD
from tests.mqtt.mosquitto import until


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    # With a clock that is set, a restart within seconds is no power gap.
    with House(tmp_path, environment={"SENSORD_CLOCK_TRUSTED": "1"}) as house:
        house.run()
        until(lambda: "34.5 °C" in house.ask("watch", "--once").stdout, 20, "the first reading")
        yield house


def test_an_evening_with_a_daemon(house: House) -> None:
    added = house.ask("chick", "pip", "--hatched", "2026-01-02", "--brooder", "brooder")
    assert (added.returncode, added.stdout) == (0, "pip added\n")
    astray = house.ask("chick", "dot", "--brooder", "nowhere")
    assert (astray.returncode, "known are brooder" in astray.stdout) == (1, True)
    assert house.ask("feed", "pip", "4", "--crop", "empty").returncode == 0
    assert "there is no chick 'pop' (known: pip)" in house.ask("feed", "pop", "4").stdout

    house.air = 32.0
    until(lambda: house.ask("watch", "--once").returncode == 1, 20, "an alarm")
    assert house.ask("acknowledge").returncode == 0
    refused = house.ask("acknowledge", "--json")
    assert (refused.returncode, json.loads(refused.stdout)["done"]) == (1, False)
    assert house.ask("shelve", "brooder", "--for", "2m").stdout == "shelved for 2m: brooder\n"
    assert "alarms.shelve_seconds" in house.ask("shelve", "brooder", "--for", "2h").stdout
    assert "known are brooder, supper" in house.ask("shelve", "nest").stdout


def test_a_broker_that_is_not_there_is_told_on_the_screen_and_in_the_log(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with House(tmp_path, port) as house:
        daemon = house.run()
        told = f"mqtt does not work: no broker at 127.0.0.1:{port}: nobody listens there"
        until(lambda: told in house.ask("watch", "--once").stdout, 20, "the missing broker")
        daemon.terminate()
        _, log = daemon.communicate(timeout=60)
    assert log.count("output mqtt is in trouble: no broker at") == 1


def test_an_alarm_is_out_of_service_until_it_is_put_back(house: House) -> None:
    taken = house.ask("out-of-service", "brooder", "too-cold")
    assert taken.stdout.startswith("out of service until `sensord return-to-service brooder too-cold`")
    until(lambda: "too cold out of service" in house.ask("watch", "--once").stdout, 20, "the screen to say so")
    assert house.ask("out-of-service", "brooder").returncode == 2
    assert house.ask("return-to-service", "brooder", "too-cold").stdout == "in service again: brooder too-cold\n"
    assert house.ask("return-to-service", "brooder", "too-cold").returncode == 1


def test_a_stage_is_set_where_the_band_follows_a_profile_and_refused_elsewhere(house: House) -> None:
    pinned = house.ask("stage", "feathered")
    assert (pinned.returncode, pinned.stdout.startswith("not done: ")) == (1, True)
    house.stop()
    followed = house.config.read_text().replace(
        "band = { low_celsius = 33.0, high_celsius = 36.0 }", 'profile = "synthesis"\nstage = "hatchling"'
    )
    house.config.write_text(followed)
    house.run()
    until(lambda: "35.0–37.0" in house.ask("watch", "--once").stdout, 20, "the band of the profile")
    unknown = house.ask("stage", "teenager")
    assert (unknown.returncode, "known are hatchling" in unknown.stdout) == (1, True)
    assert house.ask("stage", "feathered", "--brooder", "brooder").stdout == "feathered: the band follows\n"


def test_a_watch_outlives_the_daemon_and_comes_back_with_it(house: House, tmp_path: Path) -> None:
    said = tmp_path / "said"
    with said.open("w") as out:
        watch = subprocess.Popen(
            [*SENSORD, "watch", "--plain", "--socket", str(house.socket)], stdout=out, stderr=subprocess.PIPE, cwd=ROOT
        )
        try:
            until(lambda: "ALL RIGHT" in said.read_text(), 20, "the first picture")
            house.kill()
            until(lambda: "NO DATA" in said.read_text(), 20, "that nothing comes")
            house.run()
            until(lambda: "ALL RIGHT" in said.read_text().split("NO DATA")[-1], 30, "that all is right again")
        finally:
            watch.terminate()
            _, err = watch.communicate(timeout=10)
    assert watch.returncode == 0
    assert err == b""
