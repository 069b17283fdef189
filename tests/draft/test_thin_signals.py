"""Signals with few samples, still ones, second sources and columns in a draft: each guard on both sides, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.capture.columns import ColumnLayout
from logscope.definitions.spec import SignalSpec
from logscope.draft.behaviour import Rise, goes_with, reads_the_same, slopes, spells, tracks
from logscope.draft.choose import choose
from logscope.draft.evidence import pack_direction
from logscope.draft.logged import Logged
from logscope.draft.names import Sense, meanings
from logscope.draft.surroundings import Surroundings, look_around
from logscope.draft.switching import _spells, _switch, brake
from logscope.draft.write import _columns, vehicle_text
from logscope.vehicle import CanSection

T = np.arange(0, 30, 0.1)


def logged(reference: str, unit: str, value: np.ndarray, time_s: np.ndarray = T, **spec: object) -> Logged:
    message, _, name = reference.partition(".")
    sense = Sense(meanings(name), meanings(message))
    facts = {"bits": 16} | spec
    return Logged(reference, SignalSpec(name, 0, unit=unit, **facts), sense, time_s, value)  # type: ignore[arg-type]


@pytest.mark.parametrize(("moving", "found"), [(20, True), (19, False)])
def test_two_track_by_twenty_samples_that_move(moving: int, found: bool) -> None:
    road = np.where(np.arange(100) < moving, 20.0 + np.arange(100) % 7 * 8, 0.0)
    at = np.arange(100.0)
    assert (tracks(at, 3 * road, at, road) is not None) is found


@pytest.mark.parametrize(("common", "found"), [(20, True), (19, False)])
def test_two_track_by_twenty_samples_in_common(common: int, found: bool) -> None:
    """The one ends so many samples after the other begins."""
    value = 40 + 20 * np.sin(np.arange(60) / 3)
    own, beside = np.arange(60.0), np.arange(60.0) + 60 - common
    other = 40 + 20 * np.sin(beside / 3)
    assert (tracks(own, 3 * value, beside, other) is not None) is found


@pytest.mark.parametrize(("off", "share", "found"), [(0.19, 0.11, True), (0.21, 0.11, False), (0.9, 0.09, True)])
def test_what_tracks_rests_with_the_other(off: float, share: float, found: bool) -> None:
    """Half of the samples are at rest; in the fraction `off` of these the value is `share` of the highest, 3 · 70."""
    count = 400
    road = np.where(np.arange(count) < 200, 30.0 + np.arange(count) % 9 * 5, 0.0)
    idle = np.where((np.arange(count) >= 200) & (np.arange(count) < 200 + off * 200), share * 3 * 70, 0.0)
    at = np.arange(float(count))
    assert (tracks(at, 3 * road + idle, at, road) is not None) is found


@pytest.mark.parametrize(
    ("level", "off", "found"),
    [(10.0, 5.0, True), (10.1, 5.0, False), (1.0, 10.1, False), (1.1, 10.1, True), (1.0, 10.0, True)],
)
def test_two_move_above_a_tenth_of_the_highest_and_rest_up_to_a_hundredth(
    level: float, off: float, found: bool
) -> None:
    """Half of the samples are at 50 to 100, the others at a level where the ratio of 1 is not kept."""
    at = np.arange(200.0)
    road = np.where(at < 100, np.where(at < 50, 50.0, 100.0), level)
    own = np.where(at < 100, road, off)
    assert (tracks(at, own, at, road) is not None) is found


def test_what_stands_still_shows_nothing() -> None:
    at, zeros = np.arange(40.0), np.zeros(40)
    assert tracks(at, np.sin(at), at, zeros) is None
    assert goes_with(at, zeros, at, np.sin(at)) == goes_with(at, np.sin(at), at, zeros) == 0
    assert not reads_the_same(at, zeros, at, zeros)
    assert slopes(np.zeros(0), np.zeros(0)).size == 0
    assert slopes(np.array([0.2, 0.7, 3.1]), np.array([1.0, 3.0, 8.0])).tolist() == [
        2.0
    ]  # from 2 to 8 in three seconds
    assert slopes(np.array([0.0, 0.5, 1.0]), np.array([1.0, 3.0, 5.0]), 0.5).tolist() == [4.0, 4.0]
    assert spells(at[:3], np.array([False, True, False])) == [(1.0, 2.0)]


@pytest.mark.parametrize(
    ("share", "same"),
    [(0.91, True), (0.89, False)],
)
def test_two_read_the_same_in_nine_of_ten_samples(share: float, same: bool) -> None:
    value = np.where(np.arange(1000) % 2 == 0, 100.0, 0.0)
    other = np.where(np.arange(1000) < 1000 * share, value, value + 30)
    at = np.arange(1000.0)
    assert reads_the_same(at, value, at, other) is same


@pytest.mark.parametrize(
    ("step_s", "direction"),
    [(0.3, 1), (0.55, 0)],  # three samples of rest in 0.7 s, and two of the rise; or but one each
)
def test_a_direction_needs_three_samples_of_rest_and_two_of_the_rise(step_s: float, direction: int) -> None:
    at = np.concatenate((np.arange(9.02, 9.7, step_s), np.arange(10.05, 11.0, step_s)))
    amps = np.where(at > 10.0, 20.0, 2.0)
    around = Surroundings((), {}, Rise(10.0, 11.0), "Inv.Link")
    assert pack_direction(logged("Pack.I", "A", amps, at, scale=0.1), amps, around) == direction


# ------------------------------------------------------------------------------------------ switches


@pytest.mark.parametrize(
    ("values", "bits", "points"),
    [
        (T * 0, 1, [0.5]), (T * 0, 2, []), (np.floor(T) % 2, 8, [0.5]), (np.floor(T) % 4, 8, []),
        (np.floor(T) % 5, 8, [-2.0]),
    ],
)  # fmt: skip
def test_a_switch_has_two_values_and_at_most_four_states(values: np.ndarray, bits: int, points: list[float]) -> None:
    assert [each.points for each in _switch(logged("A.B", "", values, bits=bits), values)] == points


@pytest.mark.parametrize(
    ("choices", "points"),
    [({0: "Off", 1: "On"}, 1.0), ({0: "A", 1: "On"}, 0.5), ({0: "Off", 1: "B"}, 0.5), (None, 0.5)],
)
def test_a_switch_is_named_by_texts_for_on_and_off(choices: dict[int, str] | None, points: float) -> None:
    value = np.floor(T) % 2
    assert [each.points for each in _switch(logged("A.B", "", value, bits=8, choices=choices or {}), value)] == [points]


def test_a_switch_is_on_by_its_texts_or_wherever_it_is_not_zero() -> None:
    three = np.array([0.0, 1, 1, 2, 2, 0])
    at = np.arange(6.0)
    assert _spells(logged("A.B", "", three, at, choices={1: "Off", 2: "On"}), three) == [(3.0, 5.0)]
    assert _spells(logged("A.B", "", three, at), three) == [(1.0, 5.0), (1.0, 3.0), (3.0, 5.0)]
    assert _spells(logged("A.B", "", three > 0, at), three > 0) == [(1.0, 5.0)]


@pytest.mark.parametrize(
    ("kmh", "pressed", "shown"),
    [
        (60 - 2 * T, True, True), (60 - 2 * T, False, False), (60 + 0 * T, True, False),
        (np.where(T < 15, 0.0, 50.0), True, True), (np.minimum(T / 12, 1.0), True, True),
        (np.minimum(T / 9, 1.2), True, False),
    ],
)  # fmt: skip
def test_a_brake_is_shown_by_a_vehicle_that_slows_down(kmh: np.ndarray, pressed: bool, shown: bool) -> None:
    """Pressed from 5 to 12 s; what is slower than 1 km/h stands."""
    on = np.where((T >= 5) & (T < 12) & pressed, 1.0, 0.0)
    around = Surroundings([logged("Tacho.Speed", "km/h", kmh)], {}, None, "")
    found = brake(logged("A.B", "", on, bits=1), on, around)
    assert [each.points for each in found] == [0.5, *([0.5] if shown else [])]
    nameless = Surroundings([logged("Tacho.Speed", "", kmh)], {}, None, "")
    assert len(brake(logged("A.B", "", on, bits=1), on, nameless)) == 1


# ------------------------------------------------------------------------------------- second sources


def test_two_voltages_of_a_link_are_its_two_sources() -> None:
    volts = 350 * (1 - np.exp(-np.clip(T - 5, 0, None) / 0.5))
    signals = [logged("Front.DcLinkVoltage", "V", volts), logged("Rear.DcLinkVoltage", "V", volts + 1.0)]
    found = choose(signals, look_around(signals))
    assert {part: choice.fit.signal.reference for part, choice in found.items()} == {
        "dc_link_voltage": "Front.DcLinkVoltage", "dc_link_voltage_second": "Rear.DcLinkVoltage",
    }  # fmt: skip
    first, second = found["dc_link_voltage"], found["dc_link_voltage_second"]
    assert first.sure
    assert (second.sure, second.runner_up, second.doubts) == (True, None, ())
    assert second.fit.part == "dc_link_voltage_second"
    assert second.fit.reasons[-1] == "reads the same as Front.DcLinkVoltage"
    assert list(found) == ["dc_link_voltage", "dc_link_voltage_second"]  # in the order of the table of parts


def test_columns_of_a_vehicle_file_are_kept() -> None:
    layout = ColumnLayout.model_validate(
        {"time": "Zeit", "time_unit": "ms", "identifier": 2, "data": ["D0", "D1"], "delimiter": ";"}
    )
    written = '{ time = "Zeit", time_unit = "ms", identifier = 2, data = ["D0", "D1"], delimiter = ";" }'
    assert _columns(layout) == written
    text = vehicle_text("H", [CanSection(definitions=("a.dbc",), columns=layout)], [], {}, {}, {})
    assert f"\ncolumns = {written}\n" in text
