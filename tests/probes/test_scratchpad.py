"""The decoder against the DS18B20 data sheet, application note 27 and the kernel driver's forms of `w1_slave`."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.care.remedies import REMEDIES
from sensord.demo.fake_tree import scratchpad_of, w1_slave_of
from sensord.probes.scratchpad import Converted, Refused, crc8, decode
from sensord.readings import FaultKind

DATA = Path(__file__).parent.parent / "data"
CHECKS = {row["id"]: row for row in json.loads((DATA / "ds18b20_check_values.json").read_text())["rows"]}
CHIP = json.loads((DATA / "ds18b20.json").read_text())
REGISTER_ROWS = [CHECKS[f"DSB-{number:02d}"] for number in range(1, 11)]
# Two data lines as seen from kernel 5.10 and later, from the data file: 36.5 °C.
GOOD = b"48 02 4b 46 7f ff 08 10 ea : crc=ea YES\n48 02 4b 46 7f ff 08 10 ea t=36500\n"


def slave(hex_bytes: str, verdict: str = "YES") -> bytes:
    return w1_slave_of(bytes.fromhex(hex_bytes), verdict)


def with_crc(*data: int) -> bytes:
    return bytes(data) + bytes([crc8(bytes(data))])


@pytest.mark.parametrize("row", REGISTER_ROWS, ids=lambda row: str(row["expected"]))
def test_registers_of_the_data_sheet_table_become_its_temperatures(row: dict[str, Any]) -> None:
    """Source: DS18B20 data sheet, table 1 'temperature/data relationship' (rows DSB-01 to DSB-10)."""
    register = int(row["given"]["hex"], 16)
    decoded = decode(w1_slave_of(with_crc(register & 0xFF, register >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x10, 0x10)))
    assert isinstance(decoded, Converted)
    assert (decoded.celsius, decoded.bits) == (row["expected"], 12)


@pytest.mark.parametrize("row", CHIP["temperature_table"]["rows"], ids=lambda row: row["hex"])
def test_the_fake_writes_the_data_sheet_table_as_the_kernel_shows_it(row: dict[str, Any]) -> None:
    """Sources: data sheet table 1 for the two bytes; kernel driver w1_therm for `t=` (truncated toward zero)."""
    line = w1_slave_of(scratchpad_of(row["celsius"])).decode().splitlines()
    assert line[0].startswith(f"{row['lsb'][2:]} {row['msb'][2:]} 4b 46 7f ff ")
    assert line[0].endswith(" YES")
    assert line[1].endswith(f" t={row['kernel_millidegrees']}")


def test_the_fake_writes_a_known_dump_byte_for_byte() -> None:
    """Source: the dump of a genuine probe at 36.5 °C in the data file (vectors, CRC checked with crccheck)."""
    assert w1_slave_of(scratchpad_of(36.5)) == GOOD


def test_crc_of_the_worked_example() -> None:
    """Source: application note 27, ROM 02 1C B8 01 00 00 00 has CRC A2; all eight bytes give 0."""
    rom = bytes.fromhex(CHIP["crc"]["worked_example"]["rom_first_seven"])
    assert crc8(rom) == 0xA2
    assert crc8(rom + b"\xa2") == 0


def test_crc_check_value_of_the_catalogued_algorithm() -> None:
    """Source: CRC-8/MAXIM-DOW of '123456789' is A1 (catalogue of parametrised CRC algorithms; crccheck agrees)."""
    assert crc8(b"123456789") == 0xA1


@pytest.mark.parametrize("number", ["DSB-15", "DSB-16", "DSB-17"])
def test_crc_of_published_scratchpads(number: str) -> None:
    row = CHECKS[number]
    assert crc8(bytes.fromhex(row["given"]["bytes"])) == int(row["expected"], 16)


@pytest.mark.parametrize("rom", CHIP["test_vectors"]["rom"])
def test_crc_of_rom_ids_seen_in_the_wild(rom: str) -> None:
    """Source: public study of counterfeit DS18B20 (2019), ROM listings."""
    assert crc8(bytes.fromhex(rom)) == 0


@pytest.mark.parametrize(
    ("hex_bytes", "kind"),
    [
        ("50 05 4b 46 7f ff 0c 10 1c", FaultKind.POWER_ON_VALUE),
        ("ff 07 4b 46 7f ff 0c 10 a6", FaultKind.OUT_OF_SPAN),
        ("21 f9 4b 46 7f ff 0f 10 fe", FaultKind.OUT_OF_SPAN),
        ("00 00 00 00 00 00 00 00 00", FaultKind.ZERO_SCRATCHPAD),
        ("ff ff ff ff ff ff ff ff ff", FaultKind.NO_RESPONSE),
    ],
)
def test_artefacts_with_a_valid_look_are_told_apart(hex_bytes: str, kind: FaultKind) -> None:
    """Source: the vectors of the data file (power-on register: data sheet table 1; -109.9 °C: w1thermsensor #114)."""
    decoded = decode(slave(hex_bytes))
    assert isinstance(decoded, Refused)
    assert decoded.kind is kind


@pytest.mark.parametrize(
    ("hex_bytes", "celsius"),
    [
        ("50 05 4b 46 7f ff 10 10 bd", 85.0),  # a true 85 °C has byte 6 = 10h
        ("f4 00 4b 46 7f ff 0c 10 fa", 15.25),  # 0Ch alone is no sign of a restart
        ("5e ff 4b 46 7f ff 02 10 b6", -10.125),
    ],
)
def test_good_scratchpads_pass(hex_bytes: str, celsius: float) -> None:
    decoded = decode(slave(hex_bytes))
    assert isinstance(decoded, Converted)
    assert decoded.celsius == celsius


def test_true_zero_degrees_is_not_a_dead_bus() -> None:
    decoded = decode(w1_slave_of(scratchpad_of(0.0)))
    assert isinstance(decoded, Converted)
    assert decoded.celsius == 0.0


@pytest.mark.parametrize("content", [b"", b"\n", b"  \n"])
def test_an_empty_answer_is_no_response(content: bytes) -> None:
    decoded = decode(content)
    assert isinstance(decoded, Refused)
    assert decoded.kind is FaultKind.NO_RESPONSE


def test_no_of_an_old_kernel_is_a_crc_error_although_line_two_looks_good() -> None:
    text = b"48 42 4b 46 7f ff 08 10 ea : crc=11 NO\n48 02 4b 46 7f ff 08 10 ea t=36500\n"
    decoded = decode(text)
    assert isinstance(decoded, Refused)
    assert decoded.kind is FaultKind.CRC_ERROR


def test_the_kernels_yes_is_not_believed() -> None:
    decoded = decode(b"48 42 4b 46 7f ff 08 10 ea : crc=ea YES\n48 42 4b 46 7f ff 08 10 ea t=292500\n")
    assert isinstance(decoded, Refused)
    assert decoded.kind is FaultKind.CRC_ERROR


def test_one_line_is_enough() -> None:
    decoded = decode(GOOD.splitlines()[0])
    assert isinstance(decoded, Converted)
    assert decoded.celsius == 36.5


@pytest.mark.parametrize("content", [b"\xff\xfe\x80", b"48 02 zz 46 7f ff 08 10 ea : crc=ea YES\n", b"not found.\n"])
def test_damaged_text_is_a_bus_error(content: bytes) -> None:
    decoded = decode(content)
    assert isinstance(decoded, Refused)
    assert decoded.kind is FaultKind.BUS_ERROR


@pytest.mark.parametrize("row", CHIP["resolution"], ids=lambda row: f"{row['bits']} bit")
def test_bits_below_the_resolution_are_masked(row: dict[str, Any]) -> None:
    """Source: data sheet, bits 2..0, 1..0 and 0 are undefined at 9, 10 and 11 bit."""
    config = int(row["config_byte"], 16)
    for register, celsius in ((0x0191, 25.0625), (-0x0191 & 0xFFFF, -25.0625)):
        decoded = decode(w1_slave_of(with_crc(register & 0xFF, register >> 8, 0x4B, 0x46, config, 0xFF, 0x10, 0x10)))
        assert isinstance(decoded, Converted)
        assert decoded.bits == row["bits"]
        assert decoded.celsius % row["lsb_celsius"] == 0
        assert 0 <= celsius - decoded.celsius < row["lsb_celsius"]


@pytest.mark.parametrize(
    ("register", "remain", "celsius"),
    # DS18S20 data sheet, table 'temperature/data relationship' and its formula (from memory):
    # 00AAh = +85, 0032h = +25, FFCEh = -25; with remain = per degree - 4 the formula gives the whole degree.
    [(0x0032, 0x0C, 25.0), (0x00AA, 0x08, 85.25), (0xFFCE, 0x0C, -25.0)],
)
def test_half_degree_family_uses_its_remaining_count(register: int, remain: int, celsius: float) -> None:
    data = with_crc(register & 0xFF, register >> 8, 0x4B, 0x46, 0xFF, 0xFF, remain, 0x10)
    decoded = decode(w1_slave_of(data), "10")
    assert isinstance(decoded, Converted)
    assert decoded.celsius == celsius


@given(st.integers(-55 * 16, 125 * 16))
def test_every_register_in_span_comes_back_from_the_fake(sixteenths: int) -> None:
    decoded = decode(w1_slave_of(scratchpad_of(sixteenths / 16)))
    assert isinstance(decoded, Converted)
    assert decoded.celsius == sixteenths / 16


@given(st.integers(-55 * 16, 125 * 16), st.integers(0, 71))
def test_one_flipped_bit_is_never_a_temperature(sixteenths: int, bit: int) -> None:
    scratchpad = bytearray(scratchpad_of(sixteenths / 16))
    scratchpad[bit // 8] ^= 1 << bit % 8
    assert isinstance(decode(w1_slave_of(bytes(scratchpad))), Refused)


@given(st.binary(max_size=120))
def test_no_content_makes_the_decoder_raise(content: bytes) -> None:
    decode(content)


def test_every_kind_of_fault_has_a_remedy_of_its_own() -> None:
    assert set(REMEDIES) == set(FaultKind)
    assert len(set(REMEDIES.values())) == len(FaultKind)
