"""Which raw values may be marks, and which of them are: each guard on both sides of its edge, by hand.

The ranges are those of SAE J1939-71 (0xFE… error, 0xFF… not available, of two bits 2 and 3; from memory); the other
edges are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.plausibility.marks import mark_ranges, may_be_mark, named_mark, raw_text
from logscope.plausibility.no_value import _runs, mark_samples
from logscope.signals import Encoding, Part, Signals
from logscope.vehicle import Mapped, Vehicle

TWELVE = Encoding(12, False, 0.1, 0.0)  # to 409.5; a twentieth is 20.475
MARK = 409.5
PLAIN = Vehicle()


def part(name: str, value: list[float] | np.ndarray, encoding: Encoding | None = TWELVE, period_s: float = 0.1) -> Part:
    read = np.array(value, dtype=float)
    state = name.endswith(("contactor", "relay"))
    return Part(
        name, period_s * np.arange(read.size), read, "", f"{name}.Made", 0.1, on=read == 1 if state else None,
        encoding=encoding,
    )  # fmt: skip


def log(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 100.0)


def marked(made: Part, vehicle: Vehicle = PLAIN) -> list[int]:
    found = mark_samples(log(made), vehicle)
    return np.flatnonzero(found.get(made.name, np.zeros(0))).tolist()


@pytest.mark.parametrize(
    ("bits", "signed", "ranges"),
    [
        (7, False, []), (8, False, [(253, 255), (126, 128)]), (8, True, [(125, 127), (-128, -127)]),
        (10, False, [(1021, 1023), (510, 512)]), (16, False, [(0xFE00, 0xFFFF), (0x7FFE, 0x8000)]),
        (24, False, [(0xFE0000, 0xFFFFFF), (0x7FFFFE, 0x800000)]),
        (53, False, [(2**53 - 3, 2**53 - 1), (2**52 - 2, 2**52)]), (54, False, []), (54, True, []),
    ],
)  # fmt: skip
def test_marks_lie_at_the_edges_of_what_the_bits_can_hold(
    bits: int, signed: bool, ranges: list[tuple[int, int]]
) -> None:
    assert mark_ranges(Encoding(bits, signed, 1.0, 0.0)) == ranges


@pytest.mark.parametrize(
    ("raw", "offset", "scale", "marked"),
    [
        (4092, 0.0, 0.5, False), (4093, 0.0, 0.5, True), (4095, 0.0, 0.5, True), (2045, 0.0, 0.5, False),
        (2046, 0.0, 0.5, True), (2048, 0.0, 0.5, True), (2049, 0.0, 0.5, False), (4093, 0.0, -0.5, True),
        (2048, -1024.0, 0.5, False),  # the zero of its quantity
        (2048, -1023.0, 0.5, False),  # two steps from it
        (2048, -1022.5, 0.5, True),  # three
    ],
)  # fmt: skip
def test_a_raw_value_at_an_edge_may_be_a_mark_unless_it_reads_zero(
    raw: int, offset: float, scale: float, marked: bool
) -> None:
    encoding = Encoding(12, False, scale, offset)
    value = encoding.value(np.array([raw, 100]))
    assert may_be_mark(part("torque", value, encoding)).tolist() == [marked, False]
    assert not may_be_mark(part("torque", value, None)).any()


@pytest.mark.parametrize(
    ("text", "of_quantity", "of_mode"),
    [
        ("SNA", True, True), ("n/a", True, True), ("NA", True, True), ("Signal_not_available", True, True),
        ("SignalNotAvailable", True, True), ("unavailable", True, True), ("NoValue", True, True),
        ("Invalid", True, True), ("not-valid", True, True), ("undefined", True, True), ("No signal", True, True),
        ("Error", True, False), ("reserved", True, False), ("Unknown", True, False),
        ("Snap", False, False), ("Errors", False, False), ("Available", False, False), ("Drive", False, False),
    ],
)  # fmt: skip
def test_texts_of_a_definition_name_marks(text: str, of_quantity: bool, of_mode: bool) -> None:
    """A mode or a fault may well be an error, or reserved; a quantity or a state may not."""
    for name, named in (("torque", of_quantity), ("main_contactor", of_quantity), ("inverter_state", of_mode),
                        ("fault", of_mode)):  # fmt: skip
        made = replace(part(name, [3.0, 1.0, 3.0]), labels={3.0: text, 1.0: "On"})
        assert named_mark(made).tolist() == [named, False, named]


@pytest.mark.parametrize(("bits", "raw", "text"), [(12, 4095, "0xFFF"), (9, 5, "0x005"), (8, -1, "0xFF")])
def test_a_raw_value_is_written_as_its_bits(bits: int, raw: int, text: str) -> None:
    assert raw_text(Encoding(bits, raw < 0, 1.0, 0.0), raw) == text


def test_a_run_of_candidates_has_the_readings_beside_it_unless_a_silence_lies_between() -> None:
    time_s = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 5.0, 5.1, 5.2])
    made = replace(part("torque", [9.0, 1.0, 9.0, 9.0, 4.0, 9.0, 3.0, 9.0]), time_s=time_s)
    runs = _runs(made, made.value == 9.0)
    assert runs.first.tolist() == [0, 2, 5, 7]
    assert runs.last.tolist() == [0, 3, 5, 7]
    assert runs.opened.tolist() == [False, True, False, True]
    assert runs.closed.tolist() == [True, True, True, False]
    np.testing.assert_equal(runs.before, [np.nan, 1.0, np.nan, 3.0])
    np.testing.assert_equal(runs.after, [1.0, 4.0, 3.0, np.nan])
    np.testing.assert_equal(runs.jump_in, [np.nan, 8.0, np.nan, 6.0])
    np.testing.assert_equal(runs.jump_out, [8.0, 5.0, 6.0, np.nan])
    assert runs.spread(np.array([False, True, False, True]), 8).tolist() == [False, False, True, True] + 3 * [False] + [
        True
    ]


def amid(before: float, after: float, count: int = 1, size: int = 40) -> list[float]:
    return [before] * size + [MARK] * count + [after] * size


@pytest.mark.parametrize(
    ("value", "found"),
    [
        (amid(388.9, 388.9), [40]),  # 20.6 away
        (amid(389.1, 389.1), []),  # 20.4: the passage to the edge
        (amid(389.1, 300.0), []),
        (amid(300.0, 389.1), []),
        (amid(300.0, 274.0), [40]),  # a quarter of the smaller jump, 27.4, back
        (amid(300.0, 271.0), []),
        (amid(274.0, 300.0), [40]),
        (amid(270.0, 310.0), []),
        ([378.0, 372.0] * 20 + [378.0, MARK] + [378.0, 372.0] * 20, [41]),  # 31.5 is more than five times 6
        ([380.4, 374.4] * 20 + [380.4, MARK] + [380.4, 374.4] * 20, []),  # 29.1 is less
        ([MARK] * 2 + [300.0] * 40, [0, 1]),
        ([MARK] + [300.0] * 40, []),
        ([300.0] * 40 + [MARK] * 2, [40, 41]),
        ([300.0] * 40 + [MARK], []),
        ([100.0] * 40 + [204.7] + [100.0] * 40, [40]),
        ([100.0] * 30 + [230.0] * 10 + [100.0] * 9 + [204.7] + [100.0] * 40, []),  # among its other readings
    ],
)
def test_a_mark_jumps_out_of_ordinary_readings_and_back(value: list[float], found: list[int]) -> None:
    assert marked(part("battery_voltage", value)) == found


def stepped(steps: int, count: int) -> list[float]:
    """Readings with so many large steps in so many steps in all, and a mark after them."""
    level = np.where(np.cumsum(np.isin(np.arange(count + 1), 5 * np.arange(1, steps + 1))) % 2, 250.0, 300.0)
    return [*level.tolist(), MARK, *([float(level[-1])])]


@pytest.mark.parametrize(
    ("count", "steps", "is_one"), [(100, 3, True), (100, 4, False), (4000, 4, True), (4000, 5, False)]
)
def test_the_three_wildest_steps_or_a_thousandth_of_all_are_left_out(count: int, steps: int, is_one: bool) -> None:
    assert bool(marked(part("battery_voltage", stepped(steps, count)))) is is_one


@pytest.mark.parametrize(
    ("before", "after", "period_s", "is_one"),
    [(184.3, 184.3, 0.1, True), (184.6, 184.6, 0.1, False), (184.3, 184.3, 0.2, False), (174.3, 174.3, 0.2, True),
     (160.0, 186.0, 0.1, False), (186.0, 160.0, 0.1, False)],
)  # fmt: skip
def test_no_wheel_leaps_by_100_km_h_a_second_and_a_twentieth_of_its_range(
    before: float, after: float, period_s: float, is_one: bool
) -> None:
    """A twentieth of 204.7 is 10.2: with 0.1 s 20.2 km/h. The other readings are as wild as the mark."""
    eleven = Encoding(11, False, 0.1, 0.0)
    wild = [120.0, 180.0] * 20
    assert marked(part("vehicle_speed", [*wild, before, 204.7, after, *wild], eleven, period_s)) == [41] * is_one
    assert marked(part("battery_voltage", [*wild, before, 204.7, after, *wild], eleven, period_s)) == []


@pytest.mark.parametrize(
    ("name", "value", "found"),
    [
        ("motor_current", amid(8.3, 8.3), [40]),  # a fiftieth of 409.5 A is 8.19 A
        ("motor_current", amid(8.1, 8.3), []),  # a surge out of rest
        ("motor_current", amid(8.3, 8.1), []),
        ("motor_current", amid(20.0, 20.0, 11), list(range(40, 51))),  # a second
        ("motor_current", amid(20.0, 20.0, 12), []),
        ("motor_current", [20.0] * 40 + [MARK] * 3, []),  # a surge that ends the log
        ("motor_current", [MARK] * 3 + [20.0] * 40, [0, 1, 2]),
        ("motor_current_target", amid(8.1, 8.1), []),
        ("motor_current_target", amid(8.3, 8.3), [40]),
        ("dc_link_voltage", [163.0] * 40 + [MARK] * 3, [40, 41, 42]),  # two and a half times 163 V
        ("dc_link_voltage", [165.0] * 40 + [MARK] * 3, []),  # thrown up as the contactor opens
        ("dc_link_voltage_second", [165.0] * 40 + [MARK] * 3, []),
        ("battery_voltage", [165.0] * 40 + [MARK] * 3, [40, 41, 42]),
        ("throttle", amid(20.0, 20.0), [40]),  # above 100 %
    ],
)
def test_a_surge_of_what_can_surge_is_a_reading(name: str, value: list[float], found: list[int]) -> None:
    assert marked(part(name, value)) == found


def test_a_pedal_at_its_end_is_a_reading_and_one_impossible_mark_names_no_other() -> None:
    whole = Encoding(8, False, 0.4, 0.0)
    assert marked(part("throttle", [20.0] * 40 + [50.8] + [20.0] * 40, whole)) == []


@pytest.mark.parametrize(
    ("outside", "is_one"), [(19, True), (21, False)], ids=["a scale that fits", "a scale that is off"]
)
def test_marks_are_impossible_where_most_other_readings_are_possible(outside: int, is_one: bool) -> None:
    """Of 40 other readings: more than half above 1,500 V are a matter of scale. They leap too wildly for more."""
    whole = Encoding(12, False, 1.0, 0.0)
    others = [1600.0, 100.0] * 20
    others[38 if outside < 20 else 39] = 100.0 if outside < 20 else 1600.0
    assert sum(value > 1500 for value in others) == outside
    value = [*others[:20], 4095.0, *others[20:]]
    assert (20 in marked(part("battery_voltage", value, whole))) is is_one


@pytest.mark.parametrize(
    ("name", "encoding", "raw", "count", "period_s", "is_one"),
    [
        ("dc_link_voltage", Encoding(8, False, 1.0, 0.0), 255, 31, 0.1, True),
        ("dc_link_voltage", Encoding(8, False, 1.0, 0.0), 255, 29, 0.1, False),  # less than three seconds
        ("dc_link_voltage", Encoding(8, False, 1.0, 0.0), 255, 20, 0.2, True),
        ("dc_link_voltage", Encoding(8, False, 1.0, 0.0), 255, 19, 0.2, False),  # fewer than 20 samples
        ("dc_link_voltage", Encoding(8, False, 1.0, 0.0), 127, 60, 0.1, False),  # the middle of its field
        ("dc_link_voltage", Encoding(8, True, 1.0, 0.0), 127, 60, 0.1, True),
        ("dc_link_voltage", Encoding(8, True, 1.0, 200.0), -128, 60, 0.1, True),
        ("motor_current_target", Encoding(8, False, 1.0, 0.0), 255, 60, 0.1, False),
        ("state_of_charge", Encoding(8, False, 0.4, 0.0), 255, 60, 0.1, False),
        ("coolant_temperature", Encoding(8, False, 1.0, -40.0), 255, 3, 0.1, True),  # throughout
        ("coolant_temperature", Encoding(8, False, 1.0, -40.0), 255, 2, 0.1, False),
        ("coolant_temperature", Encoding(8, False, 1.0, -40.0), 0, 3, 0.1, True),  # its lowest value, deep frost
        ("coolant_temperature", Encoding(8, False, 1.0, -30.0), 0, 3, 0.1, True),
        ("coolant_temperature", Encoding(8, False, 1.0, -29.0), 0, 3, 0.1, False),
        ("coolant_temperature", Encoding(8, False, 1.0, -40.0), 1, 3, 0.1, False),
        ("coolant_temperature", Encoding(8, False, -1.0, 215.0), 0, 3, 0.1, False),
        ("dc_link_voltage", Encoding(8, False, 1.0, -40.0), 0, 60, 0.1, False),
    ],
)  # fmt: skip
def test_no_reading_stands_at_the_edge_of_its_field_for_three_seconds(
    name: str, encoding: Encoding, raw: int, count: int, period_s: float, is_one: bool
) -> None:
    made = part(name, encoding.value(np.full(count, raw)), encoding, period_s)
    assert marked(made) == (list(range(count)) if is_one else [])


def test_an_edge_that_flickers_or_is_climbed_to_is_a_reading() -> None:
    byte = Encoding(8, False, 1.0, 0.0)
    assert marked(part("dc_link_voltage", [255.0] * 30 + [254.0] + [255.0] * 20, byte)) == []
    assert marked(part("dc_link_voltage", [244.0] * 5 + [255.0] * 50, byte)) == []  # less than 12.75 below
    assert marked(part("dc_link_voltage", [242.0] * 5 + [255.0] * 50, byte)) == list(range(5, 55))


def test_what_is_a_mark_once_is_one_again_unless_it_is_climbed_to() -> None:
    value = [*amid(300.0, 300.0), MARK, *[200.0] * 9, MARK, *[395.0] * 9, MARK - 0.1, *[200.0] * 9]
    assert marked(part("battery_voltage", value)) == [40, 81]


def states(value: list[float], bits: int = 2, **labels: float) -> Part:
    made = part("main_contactor", value, Encoding(bits, False, 1.0, 0.0))
    return replace(made, labels={number: text for text, number in labels.items()})


@pytest.mark.parametrize(
    ("made", "mapped", "found"),
    [
        (states([0, 1, 2, 3], Open=0.0, Closed=1.0), None, [2, 3]),
        (states([0, 1, 2, 3], Open=0.0, Closed=1.0), Mapped(signal="A.B", on=(2,)), [3]),
        (states([0, 1, 2, 3], Open=0.0, Closed=1.0, Error=2.0), None, [2, 3]),
        (states([0, 1, 2, 3], Open=0.0, Closed=1.0, Error=2.0), Mapped(signal="A.B", on=("Error",)), [3]),
        (states([0, 1, 2, 3], 3, Open=0.0, Closed=1.0), None, []),
        (states([0, 1, 254, 255], 8, Open=0.0, Closed=1.0), None, [2, 3]),
        (states([0, 1, 253, 255], 8, Open=0.0, Closed=1.0), None, [3]),
        (states([0, 1, 126, 127], 7, Open=0.0, Closed=1.0), None, []),
        (states([3, 3, 0, 1, 3, 0]), None, [0, 1]),  # without texts those before the first state alone
        (states([3, 3, 0, 0, 3, 0]), None, []),  # never on: 3 may be the one that means it
        (states([3, 3, 1, 1, 3, 1]), None, []),
    ],
)
def test_states_that_no_text_and_no_vehicle_file_means_are_marks(
    made: Part, mapped: Mapped | None, found: list[int]
) -> None:
    vehicle = Vehicle(signals={} if mapped is None else {"main_contactor": mapped})
    assert marked(made, vehicle) == found


def test_a_fault_that_latches_is_a_reading() -> None:
    whole = Encoding(8, False, 1.0, 0.0)
    assert marked(part("fault", [255.0, 254.0, 0.0, 0.0, 255.0], whole)) == [0, 1]
    listed = Vehicle(signals={"fault": Mapped(signal="A.B", overcurrent=(255,), none=(254,))})
    assert marked(part("fault", [255.0, 254.0, 0.0, 0.0, 255.0], whole), listed) == []
    assert marked(part("fault", [0.0, 0.0, 255.0], whole)) == []
    assert marked(part("fault", [255.0, 0.0, 0.0], None)) == []


def test_a_frame_whose_quantities_are_marks_has_marks_in_every_field_at_its_own_moments() -> None:
    """A link of 204.7 V among others is a reading; in the frames in which the pack is one, it is none."""
    pack = replace(part("battery_voltage", amid(300.0, 300.0)), source="Box.A")
    link = [100.0] * 30 + [230.0] * 9 + [100.0] + [204.7] + [100.0] * 10 + [204.7] + [100.0] * 29
    for source, found in (("Box.B", [40]), ("Other.B", None)):
        both = mark_samples(log(pack, replace(part("dc_link_voltage", link), source=source)), PLAIN)
        assert np.flatnonzero(both["battery_voltage"]).tolist() == [40]
        assert (np.flatnonzero(both["dc_link_voltage"]).tolist() if found else both.get("dc_link_voltage")) == found
