"""One root for every error that sensord raises; each leaf says who has to act.

A failed reading is not an error but a value, `sensord.readings.Fault`: the watch goes on.
"""


class SensordError(Exception):
    """Root of all errors raised on purpose. The message says what, where and what to do about it."""


class ConfigError(SensordError, ValueError):
    """The author of the config has to act: the message names file, key, line where known, and the remedy."""


class WiringError(SensordError, OSError):
    """Whoever wired the Pi has to act: pins, probes, permissions on their device files."""


class BrokerError(SensordError, OSError):
    """Whoever runs the MQTT broker has to act: address, login, certificate, access list."""


class StorageError(SensordError, OSError):
    """The disk or the database file needs a person: full, read-only, damaged, foreign."""


class CommandError(SensordError, ValueError):
    """A command was refused and nothing changed; the message is the answer to whoever sent it."""


class DataError(SensordError, ValueError):
    """Numbers that were handed in make no sense (an option, a row of a file); nothing was computed from them."""


def quoted(raw: str | bytes) -> str:
    """Text from outside as it may stand in a message: in quotes, cut at 64 characters, what is not print escaped."""
    text = raw.decode("utf-8", "replace") if isinstance(raw, bytes) else raw
    return repr(text if len(text) <= 64 else text[:63] + "…")


def unreadable(error: Exception) -> str:
    """Why a text file could not be read, and the remedy: the rest of a sentence that begins with its path."""
    match error:
        case FileNotFoundError():
            return "cannot be read: there is no such file"
        case IsADirectoryError():
            return "cannot be read: it is a folder, name a file in it"
        case PermissionError():
            return "cannot be read by this user: use sudo, or let everybody read it with `sudo chmod a+r`"
        case UnicodeDecodeError():
            line = error.object[: error.start].count(b"\n") + 1
            return f"cannot be read: line {line} is not UTF-8 text, save it as UTF-8"
        case OSError(strerror=str() as reason):
            return f"cannot be read: {reason[:1].lower()}{reason[1:]}"
        case _:
            return f"cannot be read: {error}"
