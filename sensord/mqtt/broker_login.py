"""Where the broker is and how to get in: password, TLS, and sentences for what can go wrong on the way."""

import os
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sensord.errors import BrokerError

__all__ = ["BrokerSettings", "password", "tls_context", "why_unreachable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """Where the broker is and how to get in. Keys in messages are those of the config section `mqtt`."""

    host: str
    port: int = 1883
    client_id: str = "sensord"
    username: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    tls: bool = False
    version: Literal["auto", "5", "3.1.1"] = "auto"
    keepalive_seconds: int = 20
    largest_packet_bytes: int = 4096
    first_back_off_seconds: float = 1.0
    longest_back_off_seconds: float = 60.0

    @property
    def encrypted(self) -> bool:
        return self.tls or self.ca_file is not None or self.certificate_file is not None


def password(settings: BrokerSettings) -> str | None:
    """The password from `mqtt.password_file`, else from the systemd credential `mqtt-password`; never to be logged.

    Raises `BrokerError` where the named file cannot be read.
    """
    if settings.password_file is not None:
        try:
            return settings.password_file.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise BrokerError(
                f"mqtt.password_file: {settings.password_file} cannot be read: {_reason(error)}"
            ) from None
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if folder and (credential := Path(folder) / "mqtt-password").exists():
        return credential.read_text(encoding="utf-8").rstrip("\r\n") or None
    return None


def why_unreachable(settings: BrokerSettings, error: OSError) -> str:
    """The sentence for an error of the network or of TLS: what is wrong, the key, the remedy."""
    match error:
        case socket.gaierror():
            return f"mqtt.host: the name {settings.host!r} is not known: check its spelling and the network"
        case ssl.SSLCertVerificationError():
            return (
                f"mqtt.ca_file: the broker's certificate is not trusted ({error.verify_message}):"
                " give the CA that signed it, and the host name that it was made for"
            )
        case ssl.SSLError():
            return f"TLS fails ({error.reason or error}): check mqtt.port, mqtt.certificate_file and mqtt.key_file"
        case ConnectionResetError() if settings.encrypted:
            return "it hangs up on TLS: check mqtt.port, and whether that port wants TLS at all (mqtt.tls)"
        case ConnectionRefusedError():
            return "nobody listens there: check mqtt.host and mqtt.port, and that the broker runs"
        case TimeoutError():
            return "no answer: check mqtt.host and mqtt.port, and the firewall between"
        case _:
            return f"cannot be reached: {_reason(error)}"


def tls_context(settings: BrokerSettings) -> ssl.SSLContext:
    """TLS as the config wants it. Raises `BrokerError` where one of the files is not what its key says."""
    for key in ("ca_file", "certificate_file", "key_file"):
        path: Path | None = getattr(settings, key)
        if path is not None and not os.access(path, os.R_OK):
            raise BrokerError(f"mqtt.{key}: {path} is not there or cannot be read")
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
    except ssl.SSLError as error:
        raise BrokerError(
            f"mqtt.ca_file: {settings.ca_file} is no PEM certificate ({error.reason or error})"
        ) from error
    if settings.certificate_file is not None:
        try:
            context.load_cert_chain(settings.certificate_file, settings.key_file, password=lambda: "")
        except ssl.SSLError as error:
            raise BrokerError(
                f"mqtt.certificate_file, mqtt.key_file: {settings.certificate_file} and its key do not fit together"
                f" ({error.reason or error}); the key must be PEM without a passphrase"
            ) from error
    return context


def _reason(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else "") or str(error) or type(error).__name__
