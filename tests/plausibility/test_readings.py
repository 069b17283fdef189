"""Signs, byte order and temperature units: found by what physics demands of the readings."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_parts import encoded
from made_parts import signals as made_signals
from test_scales import FILE, T, drive, slipped

from logscope.plausibility.byte_order import Misread, misread, swap_bytes
from logscope.plausibility.examine import examine
from logscope.signals import Encoding, Part, Signals
from logscope.vehicle import Mapped

CODE = Encoding(16, False, 0.1, 0.0)


@pytest.mark.parametrize("name", ["battery_current", "torque"])
def test_a_turned_sign_is_found_and_its_part_alone_taken_out(name):
    signals = slipped(drive(), name, -1.0)
    plausible = examine(signals, FILE)
    assert plausible.findings[0].kind == "mapping.sign"
    assert name in plausible.doubted
    assert "scale = -1" in plausible.findings[0].next_step


def test_a_current_is_turned_where_the_pack_rises_under_load_even_with_nothing_else_logged():
    signals = slipped(drive("torque", "motor_speed", "vehicle_speed"), "battery_current", -1.0)
    assert set(examine(signals, FILE).doubted) == {"battery_current"}


def raw_part(raw: np.ndarray, code: Encoding = CODE) -> Part:
    return Part("dc_link_voltage", np.arange(raw.size) * 0.01, code.value(raw), "V", "A.B", 0.1, encoding=code)


def test_swapped_bytes_are_found_and_sound_ones_are_not():
    raw = (3000 + 400 * np.sin(np.arange(2000) / 40.0)).astype(np.int64)
    assert misread(raw_part(raw)) is None
    assert misread(raw_part(swap_bytes(raw, CODE))) is Misread.BYTES


def test_coarse_values_whose_low_byte_stands_still_are_sound():
    raw = 256 * np.repeat(np.arange(40), 50)
    assert misread(raw_part(raw)) is None


def test_a_signed_number_read_as_unsigned_is_found_and_marks_are_not():
    raw = (300 * np.sin(np.arange(3000) / 40.0)).astype(np.int64)
    assert misread(raw_part(raw & 0xFFFF)) is Misread.UNSIGNED
    marked = np.abs(raw) + 5
    marked[::50] = 0xFFFF
    assert misread(raw_part(marked)) is None


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=50), st.booleans())
def test_bytes_are_swapped_as_numpy_does(values, signed):
    """The oracle is numpy's byteswap."""
    raw = np.array(values, "<u2").astype("<i2" if signed else "<u2")
    swapped = swap_bytes(raw.astype(np.int64), replace(CODE, signed=signed))
    assert swapped.tolist() == raw.byteswap().astype(np.int64).tolist()


def temperatures(**celsius: float) -> Signals:
    parts = {
        name: Part(name, T, np.full(T.size, value) + np.where(T > 30, 1.0, 0.0), "°C", f"A.{name}", 0.5)
        for name, value in celsius.items()
    }
    return Signals(parts, 0.0, 60.0)


@pytest.mark.parametrize(
    ("reading", "kind", "scale", "offset"),
    [(293.0, "offset", 1.0, -273.15), (68.0, "offset", 1 / 1.8, -32 / 1.8), (60.0, "offset", 1.0, -40.0),
     (2000.0, "scale", 0.01, 0.0), (2.0, "scale", 10.0, 0.0)],
)  # fmt: skip
def test_a_temperature_in_another_unit_is_found_beside_two_that_agree(reading, kind, scale, offset):
    signals = temperatures(motor_temperature=20.0, inverter_temperature=20.5, coolant_temperature=reading)
    plausible = examine(signals, FILE)
    assert set(plausible.doubted) == {"coolant_temperature"}
    (finding,) = plausible.findings
    assert finding.kind == f"mapping.{kind}"
    assert finding.expected["factor"].value == pytest.approx(scale)
    assert finding.expected["offset_K"].value == pytest.approx(offset)


def written(step: str) -> tuple[float, float]:
    """Scale and offset of the line that a next step asks for; 0 where it names none."""
    scale = re.search(r"scale = (-?\d[\d.]*(?:e-?\d+)?)", step)
    offset = re.search(r"offset = (-?\d[\d.]*(?:e-?\d+)?)", step)
    assert scale is not None
    return float(scale[1]), float(offset[1]) if offset else 0.0


@pytest.mark.parametrize("logged", [293.0, 68.0, 60.0, 2000.0, 2.0])
@pytest.mark.parametrize(("scale", "offset"), [(1.0, 0.0), (0.5, 0.0), (1.0, 7.0), (2.0, 10.0), (-1.0, 100.0)])
def test_the_line_to_write_makes_a_temperature_right_whatever_the_vehicle_file_has_there(logged, scale, offset):
    """K, °F, an offset of 40 K, hundredths, tens of kelvins: the raw value, by the new line, is the 20 °C it was."""
    signals = temperatures(motor_temperature=20.0, inverter_temperature=20.5, coolant_temperature=logged)
    mapped = {"coolant_temperature": Mapped(signal="A.coolant_temperature", scale=scale, offset=offset)}
    (finding,) = examine(signals, FILE.model_copy(update={"signals": mapped})).findings
    new_scale, new_offset = written(finding.next_step)
    raw = (logged - offset) / scale
    assert new_scale * raw + new_offset == pytest.approx(20.0, abs=0.2)


@pytest.mark.parametrize("scale", [1.0, 0.5, -2.0])
def test_the_line_to_write_turns_a_sign_round_whatever_the_vehicle_file_has_there(scale):
    mapped = {"battery_current": Mapped(signal="Pack.Current", scale=scale)}
    vehicle = FILE.model_copy(update={"signals": mapped})
    (finding,) = examine(
        slipped(drive("torque", "motor_speed", "vehicle_speed"), "battery_current", -1.0), vehicle
    ).findings
    assert written(finding.next_step)[0] == pytest.approx(-scale)


def test_a_warm_motor_beside_a_cold_radiator_is_no_slip():
    signals = temperatures(motor_temperature=70.0, inverter_temperature=45.0, coolant_temperature=20.0)
    assert examine(signals, FILE).findings == ()


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("period_s", [0.01, 0.1])
def test_the_noise_of_a_torque_is_no_torque_while_a_vehicle_rolls(seed, period_s):
    """Noise and offset of a sensor (judgement): a shaft that rolls under them has neither power nor sign."""
    rng, time_s = np.random.default_rng([seed, 31]), np.arange(0.0, 60.0, period_s)
    tenths = Encoding(16, True, 0.1, 0.0)
    rolling = -600.0 * np.clip((time_s - 20.0) / 20.0, 0.0, 1.0)
    parts = {
        "motor_speed": rolling,
        "torque": 0.3 + rng.normal(0.0, 0.7, time_s.size),
        "torque_target": -0.2 + rng.normal(0.0, 0.3, time_s.size),
        "battery_current": 1.2 - 1.0 * (time_s > 30.0) + rng.normal(0.0, 0.6, time_s.size),
        "battery_voltage": np.full(time_s.size, 331.0),
    }
    plausible = examine(made_signals(*(encoded(name, time_s, value, tenths) for name, value in parts.items())), FILE)
    assert plausible.doubted == {}


def test_foreign_frames_among_smooth_readings_are_no_swapped_bytes() -> None:
    """Every seventh frame comes from another sender: its leaps carry through both bytes, the readings' own do not."""
    time_s = 0.05 * np.arange(400)
    own = np.round(3000 + 40 * np.sin(time_s))
    value = np.where(np.arange(400) % 7 == 3, 0x4000 + (np.arange(400) % 3), own)
    assert misread(encoded("motor_speed", time_s, value, Encoding(16, False, 1.0, 0.0))) is None
