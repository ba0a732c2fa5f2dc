"""How to get into a broker: password, TLS, and sentences for what can go wrong on the way."""

import os
import socket
import ssl
from contextlib import suppress
from pathlib import Path

from sensord.config.sections import MqttSection
from sensord.errors import BrokerError


def password(section: MqttSection) -> str | None:
    """The password from `mqtt.password_file`, else from the systemd credential `mqtt-password`; never to be logged.

    Raises `BrokerError` where the named file cannot be read.
    """
    if section.password_file is not None:
        try:
            return section.password_file.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise BrokerError(f"mqtt.password_file: {section.password_file} cannot be read: {_reason(error)}") from None
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if folder and (credential := Path(folder) / "mqtt-password").exists():
        return credential.read_text(encoding="utf-8").rstrip("\r\n") or None
    return None


def open_secrets(section: MqttSection) -> str:
    """A sentence where other users of the machine can read the password or the key; empty where they cannot."""
    for key in ("password_file", "key_file"):
        path: Path | None = getattr(section, key)
        with suppress(OSError):
            if path is not None and path.stat().st_mode & 0o007:
                return f"mqtt.{key}: every user of this machine can get at {path}: sudo chmod o= {path}"
    return ""


def why_unreachable(section: MqttSection, error: OSError) -> str:
    """The sentence for an error of the network or of TLS: what is wrong, the key, the remedy."""
    match error:
        case socket.gaierror():
            return f"mqtt.host: the name {section.host!r} is not known: check its spelling and the network"
        case ssl.SSLCertVerificationError():
            return (
                f"mqtt.ca_file: the broker's certificate is not trusted ({error.verify_message}):"
                " give the CA that signed it, and the host name that it was made for"
            )
        case ssl.SSLError():
            return f"TLS fails ({error.reason or error}): check mqtt.port, mqtt.certificate_file and mqtt.key_file"
        case ConnectionResetError() if section.encrypted:
            return "it hangs up on TLS: check mqtt.port, and whether that port wants TLS at all (mqtt.tls)"
        case ConnectionRefusedError():
            return "nobody listens there: check mqtt.host and mqtt.port, and that the broker runs"
        case TimeoutError():
            return "no answer: check mqtt.host and mqtt.port, and the firewall between"
        case _:
            return f"cannot be reached: {_reason(error)}"


def tls_context(section: MqttSection) -> ssl.SSLContext:
    """TLS as the config wants it. Raises `BrokerError` where one of the files is not what its key says."""
    for key in ("ca_file", "certificate_file", "key_file"):
        path: Path | None = getattr(section, key)
        if path is not None and not os.access(path, os.R_OK):
            raise BrokerError(f"mqtt.{key}: {path} is not there or cannot be read")
    try:
        context = ssl.create_default_context(cafile=section.ca_file)
    except ssl.SSLError as error:
        raise BrokerError(f"mqtt.ca_file: {section.ca_file} is no PEM certificate ({error.reason or error})") from error
    if section.certificate_file is not None:
        try:
            context.load_cert_chain(section.certificate_file, section.key_file, password=lambda: "")
        except ssl.SSLError as error:
            raise BrokerError(
                f"mqtt.certificate_file, mqtt.key_file: {section.certificate_file} and its key do not fit together"
                f" ({error.reason or error}); the key must be PEM without a passphrase"
            ) from error
    return context


def _reason(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else "") or str(error) or type(error).__name__
