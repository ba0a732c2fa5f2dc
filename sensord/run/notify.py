"""The service manager's notification socket: ready, still alive, stopping (sd_notify(3), systemd.service(5))."""

import os
import socket
from collections.abc import Mapping

__all__ = ["Notifier"]


class Notifier:
    """Tells systemd; does nothing where `$NOTIFY_SOCKET` is not set."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        microseconds = environment.get("WATCHDOG_USEC", "")
        self.watchdog_seconds = int(microseconds) / 1e6 if microseconds.isdigit() else None

    def ready(self, status: str) -> None:
        """The daemon watches."""
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self) -> None:
        """Feed the watchdog; called by the owner thread only."""
        self._send("WATCHDOG=1")

    def status(self, status: str) -> None:
        """One line for `systemctl status`."""
        self._send(f"STATUS={status}")

    def stopping(self) -> None:
        """The daemon is on its way out, on purpose."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            try:
                out.connect(self._address)
                out.sendall(text.encode())
            except OSError:
                return  # nobody listens: the watch goes on all the same
