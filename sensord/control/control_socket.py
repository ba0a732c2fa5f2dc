"""Opening the listening socket: who may connect, and one daemon at a time."""

import errno
import fcntl
import os
import socket
import struct
from pathlib import Path
from typing import IO

from sensord.errors import ConfigError, WiringError

_FOLDER_MODE = 0o750
_SOCKET_MODE = 0o660
# Room for all clients to come back at once after a restart: a Unix socket refuses, not delays, what is beyond it.
_WAITING = 128
# sun_path has 108 bytes on Linux and 104 elsewhere, its closing zero included (unix(7)).
_PATH_LIMIT_BYTES = 103


class Listener:
    """A listening Unix socket at `path` and the lock that makes its daemon the only one there.

    The kernel lets go of the lock when the process ends, however it ends, so a socket file without a locked lock
    file belongs to a dead daemon and is removed. Raises `ConfigError` where another daemon lives at `path` or the
    path cannot be used, `WiringError` where the folder may not be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        if len(os.fsencode(path)) > _PATH_LIMIT_BYTES:
            raise ConfigError(
                f"{path}: too long for a socket ({_PATH_LIMIT_BYTES} bytes at most): choose a shorter one"
            )
        try:
            if not path.parent.is_dir():
                path.parent.mkdir(parents=True)
                path.parent.chmod(_FOLDER_MODE)
            self._lock = self._locked()
            self.socket = self._listening()
        except OSError as error:
            raise WiringError(
                f"{path}: the control socket cannot be opened: {error.strerror}; choose another with [unit] socket"
            ) from error

    def _locked(self) -> IO[bytes]:
        lock = self.path.with_name(self.path.name + ".lock").open("ab")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            lock.close()
            if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                raise
            raise ConfigError(
                f"{self.path}: another sensord is already running there: stop it first (systemctl stop sensord),"
                " or give this one another [unit] socket"
            ) from error
        return lock

    def _listening(self) -> socket.socket:
        if self.path.exists() and not self.path.is_socket():
            self._lock.close()
            raise ConfigError(f"{self.path}: is in the way and not a socket: move it, or choose another [unit] socket")
        self.path.unlink(missing_ok=True)
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            listening.bind(os.fspath(self.path))
            # Before listen(): nobody can have connected while the mode was still that of the umask.
            self.path.chmod(_SOCKET_MODE)
            listening.listen(_WAITING)
        except OSError:
            listening.close()
            self._lock.close()
            raise
        return listening

    def close(self) -> None:
        """Stop listening; remove the socket; let another daemon in."""
        self.socket.close()
        self.path.unlink(missing_ok=True)
        self._lock.close()


def peer_user(connected: socket.socket) -> int | None:
    """The user id at the other end, as the kernel knows it; None on systems without SO_PEERCRED (unix(7))."""
    option = getattr(socket, "SO_PEERCRED", None)
    if option is None:
        return None
    credentials = connected.getsockopt(socket.SOL_SOCKET, option, struct.calcsize("3i"))
    user: int = struct.unpack("3i", credentials)[1]
    return user
