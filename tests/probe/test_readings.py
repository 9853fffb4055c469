"""What hangs on the wires, and what of it reaches the collector's reader of SenML."""

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from collector.intake.record import Record
from collector.intake.senml import read_senml_json
from tests.probe.board import BASE, ROM, TRUE_S, Board, config
from tests.probe.inbox import Inbox
from tests.services.mosquitto import Mosquitto

pytestmark = pytest.mark.service

OTHER_ROM = "28aa00000000001c"
ALL_KINDS = [
    {"kind": "ds18b20", "pin": 4},
    {"kind": "capacitive", "pin": 34},
    {"kind": "sht3x", "sda": 21, "scl": 22, "name": "air"},
    {"kind": "battery", "pin": 35, "ratio": 2},
    {"kind": "oxygen", "pin": 33},
    {"kind": "switch", "pin": 27},
]
WIRED = {
    "analog": {"34": 1_400_000, "35": 1_985_000, "33": 612_000},
    "i2c": {"68": "666693666693"},
    "levels": {"27": 0},
}


@pytest.fixture
def inbox(mosquitto: Mosquitto) -> Inbox:
    return Inbox(mosquitto)


@pytest.fixture
def board(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Board]:
    """One DS18B20 and one battery, so that something is reported whatever happens to the first."""
    sensors = [{"kind": "ds18b20", "pin": 4}, {"kind": "battery", "pin": 35}]
    with Board(tmp_path / "flash", config(mosquitto.port, sensors=sensors), analog={"35": 3_300_000}) as board:
        yield board


def sht3x(t: int, rh: int) -> str:
    """Six octets as the sensor sends them; its check sum from the data sheet's polynomial."""
    return b"".join(word + bytes([_crc(word)]) for word in (struct.pack(">H", t), struct.pack(">H", rh))).hex()


def _crc(octets: bytes) -> int:
    crc = 0xFF
    for octet in octets:
        crc ^= octet
        for _ in range(8):
            crc = (crc << 1 ^ 0x131) if crc & 0x80 else crc << 1
    return crc


def resolved(packs: list[bytes]) -> list[Record]:
    """As the collector reads them, at an arrival time of 0."""
    return [record for pack in packs for record in read_senml_json(pack, 0.0)]


def temperatures(packs: list[bytes]) -> list[float | None]:
    return [record.value for record in resolved(packs) if record.name.endswith("temperature")]


def test_every_kind_of_sensor_is_read_as_the_lab_file_expects(
    tmp_path: Path, mosquitto: Mosquitto, inbox: Inbox
) -> None:
    """One pack, read by the collector: name, unit, value and the time of the reading, to the second."""
    with Board(tmp_path / "flash", config(mosquitto.port, sensors=ALL_KINDS, every_s=600), **WIRED) as board:
        board.go(700)
    pack = inbox.take()[-1]
    found = {record.name.removeprefix(BASE): (record.unit, record.value) for record in resolved([pack])}
    assert found == {
        "temperature": ("Cel", (344 + 10) / 16),
        "moisture": ("count", 1_400_000 * 65535 // 3_300_000 >> 4),
        "air_temperature": ("Cel", 25.0),
        "air_humidity": ("%RH", 40.0),
        "battery": ("V", 3.97),
        "oxygen": ("V", 0.612),
        "pump": (None, 1.0),
    }
    (time,) = {record.t_s for record in resolved([pack])}
    assert time == TRUE_S + 605
    assert not any(record.stamped for record in resolved([pack]))


# Data sheet of the DS18B20, table 1; 0x0550 is also what it holds after power-up and is sent as it is.
DS18B20 = [
    *((0x07D0, 125.0), (0x0550, 85.0), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0x0000, 0.0)),
    *((0xFFF8, -0.5), (0xFF5E, -10.125), (0xFE6F, -25.0625), (0xFC90, -55.0)),
]


def test_a_ds18b20_is_read_as_its_data_sheet_says(board: Board, inbox: Inbox) -> None:
    """Each raw value of the table gives the temperature beside it."""
    for turn, (raw, _) in enumerate(DS18B20):
        board.go(60 * turn + 50, one_wire={"4": [{"rom": ROM, "raw": raw}]})
    assert temperatures(inbox.take()) == [celsius for _, celsius in DS18B20]


def test_low_bits_count_only_at_full_resolution(board: Board, inbox: Inbox) -> None:
    """0x0157 at 9, 10, 11 and 12 bit; the undefined bits are left out (computed, trade table)."""
    for turn, octet in enumerate((0x1F, 0x3F, 0x5F, 0x7F)):
        board.go(60 * turn + 50, one_wire={"4": [{"rom": ROM, "raw": 0x0157, "config": octet}]})
    assert temperatures(inbox.take()) == [21.0, 21.25, 21.375, 21.4375]


def test_a_probe_that_lost_its_power_is_sent_as_it_says(board: Board, inbox: Inbox) -> None:
    """85 degC goes out as 85 degC: the collector knows what it means."""
    board.go(50, one_wire={"4": [{"rom": ROM, "raw": 340, "lost_power": True}]})
    assert temperatures(inbox.take()) == [85.0]


def test_an_unplugged_probe_is_told_once_and_nothing_is_made_up(board: Board, inbox: Inbox) -> None:
    """No temperature while it is away, the battery goes on; the console says it once, and once when it is back."""
    board.go(50, one_wire={"4": []})
    board.go(290)
    board.go(340, one_wire={"4": [{"rom": ROM, "raw": 320}]})
    packs = inbox.take()
    assert len(packs) == 6
    assert temperatures(packs) == [20.0]
    assert [line for line in board.console if "DS18B20" in line or "ds18b20" in line] == [
        "no DS18B20 answers on pin 4; see its three wires and the 4.7 kOhm resistor",
        "ds18b20 on its wires again",
    ]


@pytest.mark.parametrize(("bad", "sent"), [(2, [20.0]), (3, [])])
def test_a_wrong_check_sum_is_tried_again_twice(board: Board, inbox: Inbox, bad: int, sent: list[float]) -> None:
    """One good answer in three is taken; three bad ones send nothing and are told."""
    said = board.go(50, one_wire={"4": [{"rom": ROM, "raw": 320, "bad": bad}]})
    assert temperatures(inbox.take()) == sent
    assert ("DS18B20 on pin 4: check sum wrong; see its wires and the resistor" in said) is (sent == [])


def test_a_shorted_wire_is_no_reading_of_zero(board: Board, inbox: Inbox) -> None:
    """Nine zeros have a right check sum and would read 0 degC; they are not sent."""
    said = board.go(50, one_wire={"4": [{"rom": ROM, "raw": 320, "shorted": True}]})
    assert temperatures(inbox.take()) == []
    assert "DS18B20 on pin 4: check sum wrong; see its wires and the resistor" in said


def test_two_probes_on_one_wire_are_told_apart_by_their_rom(tmp_path: Path, mosquitto: Mosquitto, inbox: Inbox) -> None:
    """Without a rom the console lists them, to be copied; with it each is read under its name."""
    two = {"4": [{"rom": ROM, "raw": 320}, {"rom": OTHER_ROM, "raw": 336}]}
    with Board(tmp_path / "flash", config(mosquitto.port), one_wire=two) as board:
        said = board.go(50)
    assert f"several DS18B20 on pin 4: give each a 'rom': {ROM}, {OTHER_ROM}" in said
    sensors = [{"kind": "ds18b20", "pin": 4, "rom": OTHER_ROM}, {"kind": "ds18b20", "pin": 4, "rom": ROM, "name": "b"}]
    with Board(tmp_path / "flash", config(mosquitto.port, sensors=sensors), one_wire=two) as board:
        board.go(50)
    found = {record.name: record.value for record in resolved(inbox.take())}
    assert found == {f"{BASE}temperature": 21.0, f"{BASE}b": 20.0}


# -45 + 175 S / 65535 and 100 S / 65535 (data sheet); 0xBEEF -> 0x92 is the data sheet's check sum example.
SHT3X = [
    (sht3x(0x6666, 0x6666), (25.0, 40.0)),
    (sht3x(0x8000, 0x8000), (42.501, 50.001)),
    (sht3x(0xFFFF, 0xFFFF), (130.0, 100.0)),
    (sht3x(0x0000, 0x0000), (-45.0, 0.0)),
    ("beef92beef92", (85.523, 74.585)),
]


def test_an_sht3x_is_read_as_its_data_sheet_says(tmp_path: Path, mosquitto: Mosquitto, inbox: Inbox) -> None:
    """Each pair of raw words gives its temperature and humidity, to a thousandth."""
    sensors: list[dict[str, Any]] = [{"kind": "sht3x", "sda": 21, "scl": 22}]
    with Board(tmp_path / "flash", config(mosquitto.port, sensors=sensors)) as board:
        for turn, (octets, _) in enumerate(SHT3X):
            board.go(60 * turn + 50, i2c={"68": octets})
        said = board.go(60 * len(SHT3X) + 50, i2c={"68": "beef93beef92"})
        said += board.go(60 * len(SHT3X) + 110, i2c={})
    values = [record.value for record in resolved(inbox.take())]
    assert values == [value for _, pair in SHT3X for value in pair]
    assert said == [
        "SHT3x at 0x44: check sum wrong; see the length of its wires",
        "no SHT3x answers at 0x44; see its four wires",
    ]


def test_single_disturbed_samples_do_not_move_a_moisture_count(
    tmp_path: Path, mosquitto: Mosquitto, inbox: Inbox
) -> None:
    """Of nine samples in a row three are far off, as while the radio sends: the count is that of the others."""
    sensors = [{"kind": "capacitive", "pin": 34}]
    noisy = [1_400_000] * 6 + [0, 3_300_000, 3_300_000]
    with Board(tmp_path / "flash", config(mosquitto.port, sensors=sensors), analog={"34": noisy}) as board:
        board.go(50)
    assert [record.value for record in resolved(inbox.take())] == [1_400_000 * 65535 // 3_300_000 >> 4]


def test_a_pin_that_cannot_measure_is_told_and_the_others_go_on(
    tmp_path: Path, mosquitto: Mosquitto, inbox: Inbox
) -> None:
    """The converter refuses the pin: one line, and the temperature is sent all the same."""
    sensors = [{"kind": "ds18b20", "pin": 4}, {"kind": "capacitive", "pin": 34}]
    with Board(tmp_path / "flash", config(mosquitto.port, sensors=sensors)) as board:
        assert "pin 34 cannot measure a voltage: invalid Pin" in board.go(50)
    assert temperatures(inbox.take()) == [21.5]


def test_sensors_are_powered_only_while_they_are_read(tmp_path: Path, mosquitto: Mosquitto, inbox: Inbox) -> None:
    """With a power pin, it is high while the probe measures and low while it rests."""
    with Board(tmp_path / "flash", config(mosquitto.port, power_pin=25), report_levels=True) as board:
        said = board.go(70)
    assert [line for line in said if line.startswith("pin 25")] == ["pin 25 to 1", "pin 25 to 0"] * 2
    assert temperatures(inbox.take()) == [21.5, 21.5625]
