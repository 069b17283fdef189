"""Packing against cantools, and the written log read back by python-can."""

from __future__ import annotations

from types import SimpleNamespace

import can
import cantools
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.simulate.can_output import BIT_S, Stream, _raw, bus_load, candump_text, frame_bits, pack
from logscope.simulate.drive import simulate_drive
from logscope.simulate.hazel_bus import log_drive
from logscope.simulate.hazel_drives import healthy_drive


@pytest.fixture(scope="module")
def hazel(pytestconfig):
    return cantools.database.load_file(pytestconfig.rootpath / "decoders" / "hazel.dbc")


def _messages():
    """Messages of one to three signals of any length, place and byte order, made by cantools itself."""
    layouts = []
    for order in ("little_endian", "big_endian"):
        for length in (1, 7, 8, 12, 16, 31, 40):
            for begin in (0, 3, 8, 13, 20):
                if begin + length <= 64:
                    start = begin if order == "little_endian" else 8 * (begin // 8) + 7 - begin % 8
                    layouts.append((order, start, length))
    return layouts


@given(layout=st.sampled_from(_messages()), signed=st.booleans(), data=st.data())
def test_any_signal_packs_as_cantools_packs_it(layout, signed, data):
    order, start, length = layout
    signal = cantools.database.can.Signal("S", start, length, order, is_signed=signed)
    message = cantools.database.can.Message(1, "M", 8, [signal])
    low, high = (-(1 << (length - 1)), (1 << (length - 1)) - 1) if signed else (0, (1 << length) - 1)
    value = data.draw(st.integers(low, high))
    packed = pack(message, {"S": np.array([float(value)])})
    assert packed[0].tobytes() == message.encode({"S": value}, strict=False)


@given(st.lists(st.floats(-900, 900), min_size=1, max_size=20))
def test_scaled_signals_of_both_byte_orders_share_a_message_as_in_cantools(hazel, amperes):
    message = hazel.get_message_by_name("Pack")
    level = np.full(len(amperes), 50.5)
    values = {"Voltage": np.abs(amperes) / 2, "Current": np.array(amperes), "ChargeLevel": level}
    for row, payload in enumerate(pack(message, values)):
        # rounded beforehand, because two roundings of a half may differ
        expected = {
            "Voltage": round(float(values["Voltage"][row]) * 10) / 10,
            "Current": round(amperes[row] * 10) / 10,
            "ChargeLevel": 50.5,
        }
        decoded = message.decode(payload.tobytes())
        assert decoded == pytest.approx(expected, abs=0.1001)
        assert payload.tobytes() == message.encode(decoded)


def test_multiplexed_message_packs_each_page_as_cantools(hazel):
    message = hazel.get_message_by_name("Temperatures")
    values = {
        "Page": np.array([0.0, 1.0, 2.0]),
        "MotorTemperature": np.full(3, 55.25),
        "InverterTemperature": np.full(3, 41.5),
        "CoolantTemperature": np.full(3, 33.5),
        "CoolantPump": np.ones(3),
    }
    pages = (
        {"Page": 0, "MotorTemperature": 55.25},
        {"Page": 1, "InverterTemperature": 41.5},
        {"Page": 2, "CoolantTemperature": 33.5, "CoolantPump": 1},
    )
    for payload, page in zip(pack(message, values), pages, strict=True):
        assert payload.tobytes() == message.encode(page)


def test_values_beyond_the_bits_are_held_at_the_limit(hazel):
    message = hazel.get_message_by_name("InverterHv")
    packed = pack(message, {"DcLinkVoltage": np.array([-5.0, 1e6])})
    assert [message.decode(row.tobytes())["DcLinkVoltage"] for row in packed] == pytest.approx([0.0, 6553.5])


def test_whole_numbers_of_eight_bits_end_at_minus_128_and_127_or_at_255() -> None:
    """What two's complement holds."""
    signal = SimpleNamespace(offset=0.0, scale=0.5, length=8, is_signed=True)
    assert _raw(signal, np.array([-1e3, -64.0, 63.5, 63.6, 1e3])).tolist() == [-128, -128, 127, 127, 127]
    signal.is_signed = False
    assert _raw(signal, np.array([-1.0, 0.2, 0.3, 127.5, 1e3])).tolist() == [0, 0, 1, 255, 255]


def test_written_log_reads_back_by_python_can(tmp_path):
    rng = np.random.default_rng(5)
    streams = [
        Stream("can0", 0x123, False, np.array([0.5, 0.1, 0.3]), rng.integers(0, 256, (3, 8), dtype=np.uint8)),
        Stream("can1", 0x18FF2082, True, np.array([0.2]), rng.integers(0, 256, (1, 3), dtype=np.uint8)),
    ]
    text, first_s = candump_text(streams, 1_700_000_000.0)
    path = tmp_path / "written.log"
    path.write_bytes(text)
    with can.LogReader(path) as reader:
        frames = list(reader)
    assert first_s == pytest.approx(0.1 + 135 * BIT_S)
    late = 100 * BIT_S - 135 * BIT_S  # the extended frame is shorter: 3 bytes
    assert [f.timestamp - 1_700_000_000 for f in frames] == pytest.approx([0, 0.1 + late, 0.2, 0.4], abs=25e-6)
    assert [(f.channel, f.arbitration_id, f.is_extended_id) for f in frames] == [
        ("can0", 0x123, False), ("can1", 0x18FF2082, True), ("can0", 0x123, False), ("can0", 0x123, False),
    ]  # fmt: skip
    assert bytes(frames[0].data) == streams[0].payload[1].tobytes()
    assert bytes(frames[1].data) == streams[1].payload[0].tobytes()


def test_a_bus_sends_one_frame_after_another():
    ready = np.zeros(50)
    text, _ = candump_text([Stream("can0", 1, False, ready, np.zeros((50, 1), dtype=np.uint8))], 0.0)
    stamps = [float(line[1:18]) for line in text.decode("ascii").splitlines()]
    assert np.diff(stamps) == pytest.approx(np.full(49, frame_bits(1, False) * BIT_S), abs=1.1e-6)


def test_longest_frames_are_those_of_the_published_bound():
    # Davis, Burns, Bril, Lukkien 2007: 135 bits with a standard identifier and 8 bytes, 160 with an extended
    # one; the general forms are 55 + 10·s and 80 + 10·s
    assert [frame_bits(8, extended) for extended in (False, True)] == [135, 160]
    assert [frame_bits(s, False) for s in range(9)] == [55 + 10 * s for s in range(9)]
    assert [frame_bits(s, True) for s in range(9)] == [80 + 10 * s for s in range(9)]


def test_of_waiting_frames_the_lowest_identifier_goes_first():
    # ISO 11898-1: a dominant bit, 0, wins; equal first 11 bits: the standard frame wins
    ready = np.array([0.0])
    payload = np.zeros((1, 1), dtype=np.uint8)
    streams = [
        Stream("can0", 0x300, False, ready, payload),
        Stream("can0", 0x100 << 18, True, ready + 1e-6, payload),
        Stream("can0", 0x100, False, ready + 1e-6, payload),
        Stream("can0", 0x200, False, ready + 1e-6, payload),
    ]
    text, _ = candump_text(streams, 0.0)
    sent = [line.split()[2].split("#")[0] for line in text.decode("ascii").splitlines()]
    assert sent == ["300", "100", "04000000", "200"]  # the first was alone when it began


def test_load_of_a_bus_is_bits_over_time():
    streams = [Stream("can0", 1, False, np.arange(0.0, 1.0, 0.001), np.zeros((1000, 8), dtype=np.uint8))]
    assert bus_load(streams, "can0", 1.0) == pytest.approx(1000 * 135 / 500e3)
    assert bus_load(streams, "can1", 1.0) == 0.0


def test_whole_drive_decodes_by_cantools_to_what_was_simulated(tmp_path, hazel):
    drive = simulate_drive(healthy_drive(), 3)
    text, first_s = log_drive(drive, 3, 0.0)
    path = tmp_path / "drive.log"
    path.write_bytes(text)
    motion, inverter = hazel.get_message_by_name("InverterMotion"), hazel.get_message_by_name("Inverter")
    with can.LogReader(path) as reader:
        frames = [frame for frame in reader if frame.arbitration_id in (motion.frame_id, inverter.frame_id)]
    rows = [(f.timestamp, motion.decode(f.data)) for f in frames if f.arbitration_id == motion.frame_id]
    states = [(f.timestamp + first_s, str(inverter.decode(f.data)["State"])) for f in frames
              if f.arbitration_id == inverter.frame_id]  # fmt: skip
    assert {text for _, text in states} == {"Off", "Ready", "Drive"}
    pressed = np.interp([at for at, _ in states], drive.time_s, drive.column("throttle")) > 0.05
    assert {text for (_, text), down in zip(states, pressed, strict=True) if down} == {"Drive"}
    times = np.array([time for time, _ in rows]) + first_s
    speed = np.array([values["MotorSpeed"] for _, values in rows])
    true = np.interp(times, drive.time_s, drive.column("rotor_rpm"))
    assert np.median(np.diff(times)) == pytest.approx(0.01, rel=1e-2)
    # the count, 25 rpm, and what the speed changes within the window
    assert np.abs(speed - true).max() < 60.0
    assert np.abs(speed - true).mean() < 10.0
