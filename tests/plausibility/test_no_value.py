"""Marks for “no value” are told from readings that reach the edge of their range.

Which raw values are marks: SAE J1939-71 (0xFE… error, 0xFF… not available, two-bit states 2 and 3); all-ones and the
ends of signed fields elsewhere are common practice, no published source. The drives are simulated.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from made_parts import encoded, signals, with_raw
from score_runs import CASES, play
from score_signals import signals_of_drive, vehicle_for

from logscope.findings import Severity
from logscope.plausibility.clean import clean
from logscope.plausibility.no_value import mark_samples
from logscope.signals import Encoding, Part, Signals
from logscope.simulate.layouts import AS_DEFINED
from logscope.vehicle import Limits, Mapped, Motor, Vehicle

HAZEL = vehicle_for(AS_DEFINED)
UNTOLD = Vehicle()

# A usual encoding of each part, then one whose marks lie within what the part may read.
ENCODINGS = [
    ("dc_link_voltage", Encoding(16, False, 0.1, 0.0)),
    ("dc_link_voltage", Encoding(10, False, 1.0, 0.0)),
    ("battery_voltage", Encoding(16, True, 0.1, 0.0)),
    ("battery_voltage", Encoding(12, False, 0.2, 0.0)),
    ("battery_current", Encoding(16, True, 0.1, 0.0)),
    ("motor_current", Encoding(16, False, 0.1, 0.0)),
    ("motor_speed", Encoding(16, True, 1.0, 0.0)),
    ("motor_speed", Encoding(16, False, 0.25, 0.0)),
    ("vehicle_speed", Encoding(16, False, 0.01, 0.0)),
    ("vehicle_speed", Encoding(8, False, 1.0, 0.0)),
    ("torque", Encoding(16, True, 0.1, 0.0)),
    ("torque", Encoding(12, False, 0.5, -1024.0)),
    ("throttle", Encoding(8, False, 0.4, 0.0)),
    ("throttle", Encoding(10, False, 0.1, 0.0)),
    ("motor_temperature", Encoding(8, False, 1.0, -40.0)),
    ("coolant_temperature", Encoding(10, False, 0.25, -40.0)),
    ("aux_voltage", Encoding(12, False, 0.005, 0.0)),
    ("aux_voltage", Encoding(32, False, 0.001, 0.0)),
]


@pytest.fixture(scope="module")
def drive() -> Signals:
    played, draw = play(CASES["city"], 4711)
    return signals_of_drive(played, draw, replace(AS_DEFINED, period_s=0.02), HAZEL)[0]


def recoded(drive: Signals, name: str, encoding: Encoding) -> Part:
    part = drive[name]
    return encoded(name, part.time_s, part.value, encoding)


def found(part: Part, vehicle: Vehicle = HAZEL) -> list[int]:
    marks = mark_samples(signals(part), vehicle)
    return np.flatnonzero(marks.get(part.name, np.zeros(0))).tolist()


def edges(encoding: Encoding) -> list[int]:
    return [encoding.highest, encoding.highest - 1, *([encoding.lowest] if encoding.signed else [])]


@pytest.mark.parametrize(("name", "encoding"), ENCODINGS)
def test_marks_are_found_alone_in_runs_and_for_a_whole_log(drive, name, encoding):
    part = recoded(drive, name, encoding)
    count = part.time_s.size
    driven = np.flatnonzero(np.abs(part.value) > np.abs(part.value).max() / 3)  # a current says most where it flows
    inside = int(driven[(driven > 5) & (driven < count - 5)][0])
    for raw in edges(encoding):
        for first, past in ((inside, inside + 1), (inside, inside + 3), (0, 4), (0, count)):
            where = np.zeros(count, bool)
            where[first:past] = True
            assert found(with_raw(part, where, raw)) == list(range(first, past)), (hex(raw), first, past)


@pytest.mark.parametrize("raw", [0xFF00, 0xFE00, 0xFFFE, 0x8000, 0x7FFF])
def test_the_ranges_of_two_byte_numbers_are_marks_too(drive, raw):
    part = recoded(drive, "motor_speed", Encoding(16, False, 0.5, 0.0))
    where = np.zeros(part.time_s.size, bool)
    where[200:203] = where[400] = True
    assert found(with_raw(part, where, raw)) == [200, 201, 202, 400]


def test_a_shaft_that_reads_the_mark_in_all_samples_but_one_is_not_known():
    """As an inverter's board on a bench sends it: 0xFF00 of a quarter rpm, 16,320 rpm, after a first zero."""
    time_s = np.arange(0.0, 10.0, 0.01)
    part = encoded("motor_speed", time_s, np.zeros(time_s.size), Encoding(16, False, 0.25, 0.0))
    cleaned = clean(signals(with_raw(part, time_s > 0.005, 0xFF00)), UNTOLD)
    (finding,) = cleaned.findings
    assert (finding.kind, finding.severity) == ("mapping.no_value", Severity.WARNING)
    assert "999 of 1000" in finding.title
    assert "0xFF00" in finding.title
    assert "motor_speed" in cleaned.signals.doubtful
    assert "motor_speed" not in cleaned.signals


def test_a_few_marks_are_left_out_and_the_rest_is_kept(drive):
    part = recoded(drive, "dc_link_voltage", Encoding(16, False, 0.1, 0.0))
    where = np.zeros(part.time_s.size, bool)
    where[[300, 301, 500]] = True
    cleaned = clean(signals(with_raw(part, where, 0xFFFF)), HAZEL)
    (finding,) = [finding for finding in cleaned.findings if finding.kind == "mapping.no_value"]
    assert finding.severity is Severity.INFO
    assert finding.measured["count"].value == 3
    assert len(finding.events) == 2
    kept = cleaned.signals["dc_link_voltage"]
    assert kept.value.tolist() == part.value[~where].tolist()
    assert kept.time_s.tolist() == part.time_s[~where].tolist()


def test_a_drive_without_marks_loses_no_sample(drive):
    assert mark_samples(drive, HAZEL) == {}


@given(
    case=st.sampled_from([(name, code) for name, code in ENCODINGS]),
    low=st.floats(0.0, 0.98),
    high=st.floats(0.0, 1.0),
    seconds=st.floats(0.5, 20.0),
    seed=st.integers(0, 1000),
)
@settings(max_examples=60)
def test_a_reading_that_climbs_to_the_edge_stays_a_reading(case, low, high, seconds, seed):
    """A saturating sensor: any smooth walk, clipped at the edge of its range, keeps every sample it can have."""
    name, encoding = case
    rng = np.random.default_rng(seed)
    span = (encoding.highest - encoding.lowest) * encoding.scale
    end = encoding.highest * encoding.scale + encoding.offset
    time_s = np.arange(0.0, 60.0, 0.02)
    walk = end - span * (low + (high - low) * np.sin(np.pi * time_s / seconds) ** 2) * 0.5
    part = encoded(name, time_s, walk + rng.normal(0.0, encoding.scale, time_s.size) + 0.01 * span, encoding)
    assume(np.any(part.value < end - 0.02 * span))  # one that never leaves the edge says nothing
    possible = np.abs(part.value) < {"throttle": 100.0, "motor_speed": 17_000.0}.get(name, 300.0)
    climbs = np.abs(np.diff(part.value)).max() < 0.04 * span
    marks = found(part)
    assert not climbs or not np.any(possible[marks])


@pytest.mark.parametrize(
    ("name", "encoding", "value"),
    [
        ("throttle", Encoding(8, False, 100 / 255, 0.0), 100.0),  # 0xFF is all of the pedal
        ("throttle", Encoding(8, False, 0.4, 0.0), 100.0),  # J1939-71: 250 is 100 %
        ("motor_speed", Encoding(16, False, 0.5, -16384.0), 0.0),  # 0x8000 is standstill
        ("torque", Encoding(16, False, 0.125, -4096.0), 0.0),
        ("battery_current", Encoding(16, False, 0.1, -3276.8), 0.0),
        ("motor_speed", Encoding(16, True, 1.0, 0.0), 0.0),
    ],
)
def test_a_legal_value_at_a_place_of_marks_stays(name, encoding, value):
    time_s = np.arange(0.0, 30.0, 0.02)
    pressed = np.where((time_s % 5.0) < 1.0, value, 37.0)
    for true in (pressed, np.full(time_s.size, value)):
        assert found(encoded(name, time_s, true, encoding)) == []


@pytest.mark.parametrize("at_s", [4.0, 9.9])
def test_an_inrush_that_passes_the_range_of_its_sensor_stays(at_s):
    """From rest to the end of the range for a sample, then nothing: a contactor closed on an empty link."""
    time_s = np.arange(0.0, 10.0, 0.01)
    true = np.where((time_s >= at_s) & (time_s < at_s + 0.02), 5000.0, 0.2)
    assert found(encoded("battery_current", time_s, true, Encoding(16, True, 0.02, 0.0)), UNTOLD) == []


def test_a_trip_whose_surge_passes_the_range_stays():
    time_s = np.arange(0.0, 10.0, 0.01)
    true = np.select([time_s < 5.0, time_s < 5.03], [150.0 + 50.0 * np.sin(time_s), 5000.0], 0.0)
    part = encoded("motor_current", time_s, true, Encoding(10, False, 1.0, 0.0))
    assert found(part, Vehicle(limits=Limits(motor_current_A=350))) == []


def test_a_link_thrown_up_by_braking_current_stays():
    """A contactor opens under braking current: to the end of the sensor's range, then down by its bleeder."""
    time_s = np.arange(0.0, 10.0, 0.01)
    true = np.where(time_s < 5.0, 330.0, 1300.0 * np.exp(-(time_s - 5.0) / 3.0))
    part = encoded("dc_link_voltage", time_s, true, Encoding(10, False, 1.0, 0.0))
    assert found(part, Vehicle()) == []


@pytest.mark.parametrize("raw", [0, 255])
@pytest.mark.parametrize("count", [4, 4000])
def test_a_temperature_sensor_that_is_not_fitted_reads_the_edge_throughout(raw, count):
    part = encoded("motor_temperature", np.arange(count) * 1.0, np.zeros(count), Encoding(8, False, 1.0, -40.0))
    assert len(found(with_raw(part, np.ones(count, bool), raw))) == count


@pytest.mark.parametrize("raw", [0x7E, 0x7F, 0x80])
def test_a_temperature_that_stands_in_the_middle_of_an_unsigned_field_is_no_mark(raw):
    part = encoded("coolant_temperature", np.arange(300) * 1.0, np.zeros(300), Encoding(8, False, 0.5, -40.0))
    assert found(with_raw(part, np.ones(300, bool), raw)) == []


def test_a_cold_morning_is_no_mark():
    time_s = np.arange(0.0, 600.0, 1.0)
    part = encoded("coolant_temperature", time_s, -42.0 + time_s / 60.0, Encoding(8, False, 1.0, -40.0))
    assert found(part) == []


def test_a_frame_full_of_marks_has_them_in_every_field():
    """420 A may be a reading of 12 bits; beside a speed of 65,535 rpm in the same frames it is none."""
    time_s = np.arange(0.0, 10.0, 0.01)
    where = (time_s > 2.0) & (time_s < 2.1)
    speed = encoded("motor_speed", time_s, 900.0 + 0 * time_s, Encoding(16, False, 1.0, 0.0), "Inverter")
    amps = encoded("motor_current", time_s, 3.0 + 0 * time_s, Encoding(12, False, 0.1025, 0.0), "Inverter")
    apart = replace(with_raw(amps, where, 0xFFF), source="Other.Made")
    both = signals(with_raw(speed, where, 0xFFFF), with_raw(amps, where, 0xFFF))
    assert np.flatnonzero(mark_samples(both, UNTOLD)["motor_current"]).tolist() == np.flatnonzero(where).tolist()
    assert "motor_current" not in mark_samples(signals(with_raw(speed, where, 0xFFFF), apart), UNTOLD)


def test_a_definition_that_names_its_marks_is_believed():
    time_s = np.arange(0.0, 10.0, 0.1)
    part = encoded("torque", time_s, 12.0 + 0 * time_s, Encoding(8, False, 1.0, 0.0))
    part = replace(with_raw(part, time_s > 8.0, 77), labels={77.0: "SignalNotAvailable"})
    assert len(found(part)) == int(np.sum(time_s > 8.0))


@pytest.mark.parametrize("raw", [2, 3])
def test_error_and_not_available_of_a_two_bit_state_are_no_states(raw):
    time_s = np.arange(0.0, 10.0, 0.1)
    part = encoded("main_contactor", time_s, (time_s > 3.0) * 1.0, Encoding(2, False, 1.0, 0.0))
    part = replace(part, labels={0.0: "Open", 1.0: "Closed"})
    assert found(part) == []
    marked = replace(with_raw(part, time_s < 1.0, raw), labels=part.labels)
    assert len(found(marked)) == 10


def test_a_state_whose_value_the_vehicle_file_lists_stays():
    time_s = np.arange(0.0, 10.0, 0.1)
    part = encoded("main_contactor", time_s, np.where(time_s > 3.0, 3.0, 0.0), Encoding(2, False, 1.0, 0.0))
    assert found(part) == []
    vehicle = Vehicle(signals={"main_contactor": Mapped(signal="Box.Contactor", on=(3,))})
    assert found(replace(part, labels={0.0: "Open"}), vehicle) == []


@pytest.mark.parametrize(("open_raw", "shut_raw"), [(2, 1), (1, 2), (3, 1)])
def test_a_state_that_is_never_zero_may_have_any_value_for_one_of_its_two(open_raw, shut_raw):
    """Open, then closed, in two bits without texts: which of the values means what is the vehicle file's to say."""
    time_s = np.arange(0.0, 10.0, 0.1)
    part = encoded("main_contactor", time_s, np.where(time_s > 3.0, shut_raw, open_raw), Encoding(2, False, 1.0, 0.0))
    assert found(part) == []


def test_a_fault_code_that_latches_at_all_ones_stays_and_one_before_the_first_code_does_not():
    time_s = np.arange(0.0, 10.0, 0.1)
    part = encoded("fault", time_s, 0 * time_s, Encoding(8, False, 1.0, 0.0))
    assert found(with_raw(part, time_s > 5.0, 255)) == []
    assert len(found(with_raw(part, time_s < 0.35, 255))) == 4


def test_a_wrong_scale_is_no_matter_of_marks():
    """Ten times too high, a link that passes 0xFE00 by chance loses no sample: the scale is what is wrong."""
    time_s = np.arange(0.0, 10.0, 0.01)
    part = encoded("dc_link_voltage", time_s, 6400.0 + 100.0 * np.sin(time_s), Encoding(16, False, 0.1, 0.0))
    assert found(part) == []


def test_the_line_of_the_vehicle_file_is_named(tmp_path):
    path = tmp_path / "made.toml"
    path.write_text('[signals]\n\nmotor_speed = "Inverter.Speed"\n', encoding="utf-8")
    vehicle = Vehicle(path=path, motor=Motor(max_speed_rpm=9000))
    time_s = np.arange(0.0, 10.0, 0.01)
    part = encoded("motor_speed", time_s, np.full(time_s.size, 1e9), Encoding(16, False, 1.0, 0.0))
    (finding,) = clean(signals(part), vehicle).findings
    assert "made.toml:3" in finding.next_step
