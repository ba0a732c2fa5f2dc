"""The checkup's look at a real broker: reached, refused, silent, deaf."""

import subprocess
from pathlib import Path

from sensord.checks.broker_check import broker as look
from sensord.checks.site import CheckFinding, Grade, Machine, Site
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker, free_port


def findings_of(folder: Path, port: int, more: str = "", **environment: str) -> dict[str, CheckFinding]:
    config = folder / "sensord.toml"
    config.write_text(f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\n{more}')
    return {one.check: one for one in look(Site(machine=Machine(folder), config_path=config, environment=environment))}


def test_a_good_broker_gives_back_what_it_gets_and_keeps_nothing(tmp_path: Path) -> None:
    broker = Broker(tmp_path / "broker").start()
    found = findings_of(tmp_path, broker.port)
    assert {one.state for one in found.values()} == {Grade.OK}
    assert set(found) == {"mqtt.reach", "mqtt.echo"}
    with Listener(broker.port) as listener:
        listener.send("after", "all that was retained")
        listener.wait("after")
        assert not listener.on("sensord/nursery/checkup")
    broker.kill()


def test_nobody_listening_is_told_with_the_keys_to_check(tmp_path: Path) -> None:
    found = findings_of(tmp_path, free_port())["mqtt.reach"]
    assert found.state is Grade.BAD
    assert "mqtt.host and mqtt.port" in found.sentence


def test_a_plain_port_asked_for_tls_says_that_tls_fails(tmp_path: Path) -> None:
    broker = Broker(tmp_path / "broker").start()
    found = findings_of(tmp_path, broker.port, "tls = true\n")["mqtt.reach"]
    assert found.state is Grade.BAD
    assert "mqtt.tls" in found.sentence
    broker.kill()


def test_the_services_password_is_used_and_a_wrong_one_named(tmp_path: Path) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    subprocess.run(["mosquitto_passwd", "-c", "-b", folder / "users", "nursery", "seedling-7"], check=True)
    broker = Broker(folder, ["allow_anonymous false", "password_file {folder}/users"]).start()
    credential = tmp_path / "etc" / "sensord" / "mqtt-password"
    credential.parent.mkdir(parents=True)
    credential.write_text("seedling-7\n")
    user = 'username = "nursery"\n'
    own = tmp_path / "own"
    own.write_text("seedling-7\n")
    own.chmod(0o644)
    told = findings_of(tmp_path, broker.port, f'{user}password_file = "{own}"\n')
    assert (told["mqtt.secrets"].state, told["mqtt.echo"].state) == (Grade.WARN, Grade.OK)
    assert str(own) in told["mqtt.secrets"].sentence
    assert findings_of(tmp_path, broker.port, user)["mqtt.echo"].state is Grade.OK
    credential.write_text("wrong\n")
    found = findings_of(tmp_path, broker.port, user)["mqtt.reach"]
    assert "refuses the login" in found.sentence
    assert "wrong" not in found.sentence.replace("wrong password", "")
    broker.kill()


def test_a_right_that_is_missing_is_named_with_its_topic(tmp_path: Path) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    (folder / "acl").write_text("topic read #\n")
    broker = Broker(folder, ["acl_file {folder}/acl"]).start()
    found = findings_of(tmp_path, broker.port)
    assert found["mqtt.publish"].state is Grade.BAD
    assert "sensord/nursery/#" in found["mqtt.publish"].remedy
    broker.kill()
