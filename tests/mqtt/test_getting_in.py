"""Wrong host, wrong password, wrong certificate: the sentence names the key and the remedy, and nothing stops."""

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from sensord.config.loading import parse
from sensord.config.sections import MqttSection
from sensord.errors import BrokerError, ConfigError
from sensord.mqtt.broker_login import password
from tests.mqtt.conftest import Daemon
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker, until
from tests.mqtt.world import TOPICS, alarm_changed, snapshot

Start = Callable[..., Daemon]


@pytest.fixture
def locked(tmp_path: Path) -> Broker:
    """A broker with one user `nursery`, password `seedling-7`, that may write its own topics but no events."""
    folder = tmp_path / "locked"
    folder.mkdir()
    subprocess.run(["mosquitto_passwd", "-c", "-b", folder / "users", "nursery", "seedling-7"], check=True)
    subprocess.run(["mosquitto_passwd", "-b", folder / "users", "viewer", "v"], check=True)
    (folder / "acl").write_text(
        "user nursery\ntopic write sensord/nursery/status\ntopic write sensord/nursery/probe/#\n"
        "topic write sensord/nursery/alarm/#\ntopic read sensord/nursery/do/#\nuser viewer\ntopic read #\n"
    )
    return Broker(folder, ["allow_anonymous false", "password_file {folder}/users", "acl_file {folder}/acl"])


def test_a_wrong_password_is_said_and_the_right_one_is_never_shown(
    locked: Broker, daemon: Start, tmp_path: Path
) -> None:
    secret = tmp_path / "password"
    secret.write_text("wrong-horse\n")
    locked.start()
    started = daemon(locked.port, username="nursery", password_file=secret)
    until(lambda: "refuses the login" in started.publisher.words())
    started.publisher.handle(snapshot())
    words = started.publisher.words()
    assert "mqtt.username and mqtt.password_file" in words
    assert "wrong-horse" not in words + repr(started.publisher.__dict__)
    secret.write_text("seedling-7\n")
    until(lambda: started.publisher.working, what="the next attempt, which reads the file again")
    locked.kill()


def test_the_password_may_come_as_a_systemd_credential(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert password(MqttSection(host="x")) is None
    (tmp_path / "mqtt-password").write_text("from-systemd\n")
    assert password(MqttSection(host="x")) == "from-systemd"
    own = tmp_path / "own"
    with pytest.raises(BrokerError, match=r"mqtt\.password_file: .*own cannot be read: No such file"):
        password(MqttSection(host="x", password_file=own))


def test_a_password_that_others_can_read_is_told_and_used_all_the_same(
    broker: Broker, daemon: Start, tmp_path: Path
) -> None:
    secret = tmp_path / "password"
    secret.write_text("seedling-7")
    secret.chmod(0o644)
    started = daemon(broker.port, username="nursery", password_file=secret)
    until(lambda: started.publisher.working)
    assert f"mqtt.password_file: every user of this machine can get at {secret}" in started.publisher.words()
    secret.chmod(0o640)
    assert "every user" not in daemon(broker.port, username="nursery", password_file=secret).publisher.words()


def test_a_refused_event_stays_in_the_outbox_and_the_screen_says_which_right_is_missing(
    locked: Broker, daemon: Start, tmp_path: Path
) -> None:
    secret = tmp_path / "password"
    secret.write_text("seedling-7")
    locked.start()
    started = daemon(locked.port, username="nursery", password_file=secret)
    until(lambda: started.publisher.working)
    with Listener(locked.port, login=("viewer", "v")) as viewer:
        started.publisher.handle(alarm_changed(1.0))
        until(lambda: "the right to write sensord/nursery/#" in started.publisher.words())
        assert "Not authorized" in started.publisher.words()
        assert len(started.publisher._outbox) == 1
        started.publisher.handle(snapshot())
        assert viewer.wait(TOPICS.probe("air"))
    locked.kill()


def test_a_host_that_nobody_knows_is_said(daemon: Start) -> None:
    started = daemon(1883, host="no-such-host.invalid")  # RFC 6761: .invalid never resolves
    until(lambda: "mqtt.host: the name 'no-such-host.invalid' is not known" in started.publisher.words())


def test_a_full_broker_is_hinted_at(daemon: Start, tmp_path: Path) -> None:
    broker = Broker(tmp_path / "full", ["listener {port} 127.0.0.1", "max_connections 1"]).start()
    with Listener(broker.port), Listener(broker.port):
        started = daemon(broker.port)
        until(lambda: "broker is full (max_connections)" in started.publisher.words())
        assert "cannot be reached" not in started.publisher.words()
    broker.kill()


def test_two_daemons_with_one_name_are_told_apart_in_a_sentence(broker: Broker, daemon: Start) -> None:
    first = daemon(broker.port)
    until(lambda: first.publisher.working)
    second = daemon(broker.port)
    until(
        lambda: (
            "another program seems to use the client id 'sensord-nursery'"
            in first.publisher.words() + second.publisher.words()
        ),
        seconds=30,
    )


@pytest.fixture
def certificates(tmp_path: Path) -> Path:
    """A CA, a server certificate for 127.0.0.1, a client certificate, and a CA that signed nothing."""
    folder = tmp_path / "tls"
    folder.mkdir()

    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    for authority in ("ca", "stranger"):
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", f"{authority}.key", "-out",
                f"{authority}.crt", "-subj", f"/CN={authority}", "-days", "2")  # fmt: skip
    (folder / "server.ext").write_text("subjectAltName=IP:127.0.0.1\n")
    for name in ("server", "client"):
        openssl("req", "-newkey", "rsa:2048", "-nodes", "-keyout", f"{name}.key", "-out", f"{name}.csr",
                "-subj", f"/CN={name}")  # fmt: skip
        extra = ["-extfile", "server.ext"] if name == "server" else []
        openssl("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
                "-out", f"{name}.crt", "-days", "2", *extra)  # fmt: skip
    return folder


def test_tls_with_own_ca_and_a_client_certificate(certificates: Path, daemon: Start, tmp_path: Path) -> None:
    broker = Broker(
        tmp_path / "secure",
        ["listener {port} 127.0.0.1", f"cafile {certificates}/ca.crt", f"certfile {certificates}/server.crt",
         f"keyfile {certificates}/server.key", "require_certificate true", "use_identity_as_username true"],
    ).start()  # fmt: skip
    client = {"certificate_file": certificates / "client.crt", "key_file": certificates / "client.key"}
    started = daemon(broker.port, ca_file=certificates / "ca.crt", **client)
    until(lambda: started.publisher.working)
    assert "encrypted" in started.publisher.words()
    for second in range(200):
        started.publisher.handle(alarm_changed(second))
    until(lambda: len(started.publisher._outbox) == 0, seconds=20)

    stranger = daemon(broker.port, ca_file=certificates / "stranger.crt", unit="other", **client)
    until(lambda: "mqtt.ca_file: the broker's certificate is not trusted" in stranger.publisher.words())
    missing = daemon(broker.port, ca_file=tmp_path / "none.crt", unit="third")
    until(lambda: "mqtt.ca_file" in missing.publisher.words() and "is not there" in missing.publisher.words())
    broker.kill()


def test_a_port_that_wants_tls_is_hinted_at(certificates: Path, daemon: Start, tmp_path: Path) -> None:
    broker = Broker(
        tmp_path / "secure",
        ["listener {port} 127.0.0.1", f"cafile {certificates}/ca.crt", f"certfile {certificates}/server.crt",
         f"keyfile {certificates}/server.key"],
    ).start()  # fmt: skip
    started = daemon(broker.port)
    until(lambda: "mqtt.tls if the port wants TLS" in started.publisher.words())
    broker.kill()


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('base = "/sensord"', r"mqtt\.base: a '/' at the start"),
        ('base = "sensord/#"', r"mqtt\.base: '#' is a wildcard"),
        ('base = "+/sensord"', r"mqtt\.base: '\+' is a wildcard"),
        ('base = "my sensors"', r"mqtt\.base: spaces"),
        ('base = "$SYS"', r"mqtt\.base: topics that start with '\$'"),
        ('base = ""', r"mqtt\.base: use 1 to 128 bytes"),
        ('key_file = "/k"', r"mqtt\.certificate_file: a client certificate needs"),
        ('password_file = "/p"', r"mqtt\.password_file: a password without a username"),
        ("port = 0", r"mqtt\.port"),
        ("[unit]\nname = 'Küche 2'", r"unit\.name: use 1 to 32 of the characters"),
    ],
)
def test_a_config_that_cannot_work_is_refused_with_line_key_and_remedy(text: str, sentence: str) -> None:
    with pytest.raises(ConfigError, match=rf"file:\d+: {sentence}"):
        parse(f'[mqtt]\nhost = "localhost"\n{text}\n', "file")
