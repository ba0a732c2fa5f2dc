"""One root for every error that sensord raises; each leaf says who has to act.

A failed reading is not an error but a value, `sensord.readings.Fault`: the watch goes on.
"""

__all__ = ["BrokerError", "CommandError", "ConfigError", "DataError", "SensordError", "StorageError", "WiringError"]


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
