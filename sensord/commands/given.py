"""What people give on the command line, read and checked: numbers, bands, addresses, new files.

Light on purpose: the quick verbs import it.
"""

import argparse
import os
from collections.abc import Iterator
from contextlib import contextmanager
from math import isfinite, nan
from typing import TYPE_CHECKING

from sensord.errors import DataError

if TYPE_CHECKING:
    from pathlib import Path


def number(text: str) -> float:
    """An option's number, with a decimal point or a decimal comma."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = nan
    if not isfinite(value):
        raise argparse.ArgumentTypeError(f"'{text}' is no number: write it like 4.5")
    return value


def whole_number(text: str) -> int:
    """An option's whole number."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no whole number: write it like 4") from None


def in_range(option: str, value: float, low: float, high: float, unit: str, open_low: bool = False) -> float:
    """The value where it lies between the limits, else a `DataError` that names the option."""
    if not (isfinite(value) and low <= value <= high) or (open_low and value == low):
        span = f"more than {low:g} and at most {high:g}" if open_low else f"{low:g} to {high:g}"
        raise DataError(f"{option} {value:g}: give {span} {unit}")
    return value


def low_high(option: str, text: str, least: float, most: float, why: str = "") -> tuple[float, float]:
    """Two temperatures like `36:38`, both from `least` to `most` Celsius, or a `DataError` that names the option."""
    try:
        low, high = (float(part) for part in text.split(":"))
    except ValueError:
        raise DataError(f"{option} {text}: give two temperatures in °C with a colon between, e.g. 36:38") from None
    if not least <= low < high <= most:
        raise DataError(f"{option} {text}: needs low below high, both from {least:g} to {most:g} °C{why}")
    return low, high


def host_port(text: str) -> tuple[str, int]:
    """A broker's `HOST:PORT`; without a port that of MQTT. Raises `DataError`."""
    host, colon, port = text.rpartition(":")
    if not colon:
        host, port = text, "1883"
    if not host or not port.isdecimal() or not 1 <= int(port) <= 65535:
        raise DataError(f"--broker: '{text}' is not HOST:PORT, for example localhost:1883")
    return host.strip("[]"), int(port)


@contextmanager
def a_new_file(path: "Path") -> Iterator["Path"]:
    """`path`, for whoever writes it: nothing is overwritten, and what could not be written whole is gone again.

    Raises `DataError` where there is a file already or it cannot be written.
    """
    if os.path.lexists(path):
        raise DataError(f"{path}: there is a file of this name already; nothing is overwritten")
    try:
        yield path
    except BaseException as error:
        path.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.strerror:
            raise DataError(f"{path}: cannot be written: {error.strerror[:1].lower()}{error.strerror[1:]}") from error
        raise
