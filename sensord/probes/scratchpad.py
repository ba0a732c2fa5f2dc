"""What the kernel's `w1_slave` file says: bytes to a temperature, or to the kind of fault. Pure, no I/O.

The kernel's own `YES` and `t=` are not believed: the CRC is computed again, a dead bus (all zeros, whose CRC is
zero too) is told from 0 °C, the power-on value from a true 85 °C, and bits below the resolution are masked.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from sensord.readings import FaultKind

LOW_CELSIUS, HIGH_CELSIUS = -55.0, 125.0
"""Operating range of the DS18B20 (data sheet, page 1)."""

_POWER_ON_REGISTER = 0x0550
_POWER_ON_REMAINDER = 0x0C
"""Register after power-on (data sheet, table 1 and its footnote); byte 6 is then 0Ch, and 10h after a true 85 °C
(seen on genuine parts: public study of counterfeit DS18B20; the kernel driver uses the same test)."""

_NO_POWER_REGISTER = 0x07FF
"""127.9375 °C: a conversion that failed for lack of power (kernel driver w1_therm)."""

_FIRST_LINE = re.compile(r"((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)")


@dataclass(frozen=True, slots=True)
class Converted:
    """A believable conversion: `celsius` at `bits` of resolution (9 to 12), `raw` as nine hex bytes."""

    celsius: float
    bits: int
    raw: str


@dataclass(frozen=True, slots=True)
class Refused:
    """No temperature. `detail` holds what the kernel said."""

    kind: FaultKind
    detail: str


Decoded: TypeAlias = Converted | Refused


def crc8(data: bytes) -> int:
    """The one-wire CRC: x^8 + x^5 + x^4 + 1, least significant bit first, start 0 (application note 27).

    The CRC of bytes followed by their own CRC is 0.
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def decode(content: bytes, family: str = "28") -> Decoded:
    """Judge what one read of `w1_slave` returned.

    `family` is the first part of the ROM id. Both kernel forms are understood: older ones print `NO` after a CRC
    error, newer ones return nothing at all.
    """
    if not content.strip():
        return Refused(FaultKind.NO_RESPONSE, "empty answer: no probe answered, or its CRC was wrong five times")
    first = content.decode("ascii", errors="backslashreplace").splitlines()[0].strip()
    match = _FIRST_LINE.match(first)
    if match is None:
        return Refused(FaultKind.BUS_ERROR, f"garbled: {first[:80]}")
    scratchpad = bytes.fromhex(match.group(1))
    raw = scratchpad.hex(" ")
    if not any(scratchpad):
        return Refused(FaultKind.ZERO_SCRATCHPAD, f"all zero: {raw}")
    if all(byte == 0xFF for byte in scratchpad):
        return Refused(FaultKind.NO_RESPONSE, f"nobody pulled the line low: {raw}")
    if crc8(scratchpad) != 0 or match.group(2) == "NO":
        return Refused(FaultKind.CRC_ERROR, f"{raw}, computed {crc8(scratchpad[:8]):02x}")
    return DECODERS.get(family, _sixteenths)(scratchpad, raw)


def _sixteenths(scratchpad: bytes, raw: str) -> Decoded:
    register = int.from_bytes(scratchpad[:2], "little", signed=True)
    if register == _POWER_ON_REGISTER and scratchpad[6] == _POWER_ON_REMAINDER:
        return Refused(FaultKind.POWER_ON_VALUE, f"85 °C of power-on: {raw}")
    if register == _NO_POWER_REGISTER:
        return Refused(FaultKind.OUT_OF_SPAN, f"127.94 °C, the sign of a conversion without power: {raw}")
    bits = 9 + (scratchpad[4] >> 5 & 3)
    undefined = 12 - bits  # low bits that hold nothing below 12 bit (data sheet, figure 'temperature register')
    return _within_span((register >> undefined << undefined) / 16, bits, raw)


def _half_degrees(scratchpad: bytes, raw: str) -> Decoded:
    """DS18S20 with its extended resolution: T - 0.25 + (per degree - remain) / per degree (data sheet, from memory)."""
    register = int.from_bytes(scratchpad[:2], "little", signed=True)
    remain, per_degree = scratchpad[6], scratchpad[7]
    if register == 85 * 2 and remain == _POWER_ON_REMAINDER:
        return Refused(FaultKind.POWER_ON_VALUE, f"85 °C of power-on: {raw}")
    if per_degree == 0:
        return Refused(FaultKind.BUS_ERROR, f"no counts per degree: {raw}")
    return _within_span((register >> 1) - 0.25 + (per_degree - remain) / per_degree, 12, raw)


def _within_span(celsius: float, bits: int, raw: str) -> Decoded:
    if not LOW_CELSIUS <= celsius <= HIGH_CELSIUS:
        return Refused(FaultKind.OUT_OF_SPAN, f"{celsius} °C: {raw}")
    return Converted(celsius, bits, raw)


DECODERS: dict[str, Callable[[bytes, str], Decoded]] = {
    "10": _half_degrees,  # DS18S20: half degrees and a count that remains
}
"""How nine bytes become a temperature, by family code (`readings.PROBE_FAMILIES`); the others count in sixteenths."""
