"""Each probe on the bus: does it answer sensibly, has it its own supply wire, and is it what it says it is?

Hints at clones follow the public study of counterfeit DS18B20 (2019): they warn and never reject, a clone
that was compared may serve as well as any. Reads are bounded by a deadline and change nothing.
"""

from collections.abc import Iterator
from functools import partial
from pathlib import Path

from sensord.care.remedies import REMEDIES
from sensord.checks.site import CheckFinding, Site, bad, fine, warn
from sensord.probes.bus import BulkConversion
from sensord.probes.deadlines import Asker
from sensord.probes.one_wire import (
    BULK_FILE,
    ProbeSpot,
    conversion_seconds,
    externally_powered,
    locate,
    meaning,
    read_bytes,
)
from sensord.probes.scratchpad import Refused
from sensord.readings import FaultKind

_DEADLINE_SECONDS = 5.0
_COMPARE = "it may measure well all the same: compare it at 37 °C before you trust it (hardware.md)"

_WORDS = {
    FaultKind.NO_RESPONSE: "does not answer",
    FaultKind.CRC_ERROR: "answers with damaged bytes",
    FaultKind.POWER_ON_VALUE: "says 85 °C, its value at power-on, so it restarted just now",
    FaultKind.ZERO_SCRATCHPAD: "reads all zeros: its data wire is shorted to ground",
    FaultKind.LATE: "does not come back within five seconds: the bus hangs",
    FaultKind.BUS_ERROR: "cannot be read",
    FaultKind.OUT_OF_SPAN: "says a temperature that no probe can measure",
}


def probes(site: Site) -> Iterator[CheckFinding]:
    """Convert (all at once where that is allowed), read each probe once, and judge."""
    try:
        listed = locate(site.one_wire_root)
    except OSError:
        return
    asker = Asker("checkup", site.clock, _DEADLINE_SECONDS)
    try:
        if site.snapshot is None:
            for folder in sorted({spot.bus for spot in listed.values()}):
                yield from _bulk(site, folder, [spot.probe for spot in listed.values() if spot.bus == folder], asker)
        else:
            yield from _methods(site)
        for rom, spot in listed.items():
            yield from _probe(site, rom, spot, asker)
    finally:
        asker.close()


def _methods(site: Site) -> Iterator[CheckFinding]:
    """The running daemon has the bus: what it says of its reading counts, and no conversion is started beside it."""
    seen = site.snapshot
    ways = sorted({probe.method for probe in seen.probes if probe.method}) if seen is not None else []
    if "bulk" in ways:
        yield fine("bulk.works", "the daemon converts all probes of the bus at once")
    elif ways and site.config.one_wire.bulk_conversion:
        yield warn(
            "bulk.works",
            f"the daemon reads the probes in another way: {', '.join(ways)}",
            "fine with few probes; for more, see the bulk conversion above",
        )


def _bulk(site: Site, folder: Path, probe_folders: list[Path], asker: Asker) -> Iterator[CheckFinding]:
    conversion = BulkConversion(folder / BULK_FILE, asker, site.clock, site.config.one_wire)
    if not conversion.due:
        return
    if conversion.convert(lambda _ask_again: max(map(conversion_seconds, probe_folders), default=0.0)):
        yield fine("bulk.works", f"a conversion of all probes of {folder.name} at once works")
    elif "cannot be written" in conversion.trouble:
        yield warn("bulk.works", f"bulk conversion not tried: {conversion.trouble}", "sudo sensord checkup")
    else:
        yield warn("bulk.works", f"bulk conversion: {conversion.trouble}", "the probes are read one by one instead")


def _probe(site: Site, rom: str, spot: ProbeSpot, asker: Asker) -> Iterator[CheckFinding]:
    name = next((name for name, probe in site.config.probes.items() if probe.rom == rom), "")
    called = f"probe '{name}' ({rom})" if name else f"probe {rom}"
    file = spot.probe / "w1_slave"
    outcome = asker.ask(partial(read_bytes, file))
    if outcome == b"":  # a conversion of the daemon's was running, or a bit was lost: once more
        outcome = asker.ask(partial(read_bytes, file))
    decoded = meaning(rom, outcome, "")
    if isinstance(decoded, Refused):
        yield bad("probe.reading", *_fault_words(called, decoded))
        return
    yield fine("probe.reading", f"{called} reads {decoded.celsius:.2f} °C at {decoded.bits} bit")
    if asker.ask(partial(_power_of, spot.probe)) == b"parasite":
        yield warn(
            "probe.parasite",
            f"{called} takes its power from the data wire: many parts fail so, and it reads 127.94 °C when they do",
            "connect its supply wire (mostly red) to 3.3 V",
        )
    hints = authenticity_hints(rom, bytes.fromhex(decoded.raw.replace(" ", "")), decoded.bits)
    if hints:
        yield warn("probe.genuine", f"{called} is probably a clone: {'; '.join(hints)}", _COMPARE)


def _power_of(folder: Path) -> bytes:
    return b"parasite" if externally_powered(folder) is False else b""


def _fault_words(called: str, refused: Refused) -> tuple[str, str]:
    if refused.detail.startswith("127.94 °C"):
        return f"{called} says 127.94 °C: it had no power to measure", "connect its supply wire (mostly red) to 3.3 V"
    words = _WORDS.get(refused.kind, "gives no temperature")
    detail = f" ({refused.detail})" if refused.kind is FaultKind.BUS_ERROR else ""
    return f"{called} {words}{detail}", REMEDIES[refused.kind]


def authenticity_hints(rom: str, scratchpad: bytes, bits: int) -> list[str]:
    """What speaks against a genuine DS18B20: serial number, reserved bytes. Empty for other chips.

    `scratchpad` is its nine bytes. A genuine part has a serial that begins with four zeros (in the kernel's order),
    FFh and 10h in bytes 5 and 7, and at 12 bit a byte 6 that adds up with byte 0 to a multiple of 16.
    """
    if not rom.startswith("28-"):
        return []
    hints = []
    if not rom.startswith("28-0000"):
        hints.append("its serial number lies outside the maker's range")
    if (scratchpad[5], scratchpad[7]) != (0xFF, 0x10):
        hints.append(f"its reserved bytes are {scratchpad[5]:02x} and {scratchpad[7]:02x}, not ff and 10")
    if bits == 12 and (scratchpad[0] + scratchpad[6]) & 0x0F:
        hints.append(f"its byte 6 ({scratchpad[6]:02x}) does not follow the temperature")
    return hints
