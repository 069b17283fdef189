"""Where a temperature may stand by the way of the heat, each guard on both sides of its edge: readings once a second.

The edges are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.plausibility.out_of_place import _first, _highest, _idle, out_of_place
from logscope.signals import Part, Signals

MOTOR, SINK, COOLANT, OUTLET = (
    "motor_temperature", "inverter_temperature", "coolant_temperature", "coolant_temperature_out",
)  # fmt: skip


def part(name: str, value: object, count: int = 100, since_s: float = 0.0) -> Part:
    return Part(
        name, since_s + np.arange(float(count)), np.zeros(count) + np.asarray(value, float), "", f"A.{name}", 0.5
    )


def log(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 100.0)


def amps(*loaded_s: int, level: float = 5.1, since_s: int = 10, until_s: int = 80) -> Part:
    at = np.arange(since_s, until_s + 1)
    return part("motor_current", np.where(np.isin(at, loaded_s), -level, 4.9), at.size, since_s)


def idle(current: Part | None) -> list[int]:
    found = _idle(part(SINK, 60.0), log(*([] if current is None else [current])))
    return np.flatnonzero(found).tolist()


def test_a_motor_idles_where_it_took_no_current_for_forty_seconds() -> None:
    assert idle(amps()) == list(range(50, 81))
    assert idle(amps(30)) == list(range(71, 81))
    assert idle(amps(30, level=5.0)) == list(range(50, 81))
    assert idle(amps(30, 60)) == []
    assert idle(amps(until_s=39)) == idle(amps(since_s=52)) == idle(None) == []  # 30 readings, or none old enough
    assert idle(amps(since_s=0, until_s=28)) == []  # 29 readings


def test_the_hotter_of_two_counts_and_one_alone_will_do() -> None:
    sink = part(SINK, 60.0, 5)
    both = log(part(COOLANT, 40.0, 5), part(OUTLET, [30.0, 50.0, 30.0, 50.0, 30.0], 5))
    assert _highest(sink, (COOLANT, OUTLET), both).tolist() == [40.0, 50.0, 40.0, 50.0, 40.0]
    late = log(part(COOLANT, 40.0, 5, 2.0))
    np.testing.assert_equal(_highest(sink, (COOLANT, OUTLET), late), [np.nan, np.nan, 40.0, 40.0, 40.0])
    assert np.isnan(_highest(sink, (COOLANT, OUTLET), log())).all()
    assert _first(np.array([np.nan, 1.0, 2.0, 9.0, 4.0, 3.0, 99.0])) == 3.0
    assert np.isnan(_first(np.full(3, np.nan)))


@pytest.mark.parametrize(
    ("above_K", "current", "out"),
    [
        (25.5, amps(30), True), (24.5, amps(30), False),
        (25.5, amps(30, until_s=79), False),  # nine readings
        (25.5, amps(), True), (25.5, None, False),
    ],
)  # fmt: skip
def test_a_heat_sink_that_idles_is_as_warm_as_its_coolant(above_K: float, current: Part | None, out: bool) -> None:
    sink = part(SINK, 40.0 + above_K)
    others = [part(COOLANT, 40.0), *([] if current is None else [current])]
    found = out_of_place(sink, log(sink, *others))
    assert (found is not None) is out
    if found:
        fact = f"it stays {above_K:.0f} K above the coolant temperature while the motor takes no current"
        assert found == (fact, 40.0, (-5.0, 15.0))
    dips = part(SINK, np.where(np.arange(100) == 75, 64.9, 80.0))  # once less than 25 K
    assert out_of_place(dips, log(dips, part(COOLANT, 40.0), amps())) is None
    assert out_of_place(sink, log(sink, amps())) is None  # no coolant is known


@pytest.mark.parametrize(
    ("name", "above_K", "low", "count", "out"),
    [
        (COOLANT, 20.5, 0, 100, True), (OUTLET, 20.5, 0, 100, True), (COOLANT, 19.5, 0, 100, False),
        (COOLANT, 25.0, 4, 100, True), (COOLANT, 25.0, 6, 100, False),  # one in twenty below 8 K
        (COOLANT, 20.5, 0, 61, True), (COOLANT, 20.5, 0, 60, False),  # a minute
        (MOTOR, 90.0, 0, 100, False),
    ],
)  # fmt: skip
def test_coolant_is_no_hotter_than_what_heats_it(name: str, above_K: float, low: int, count: int, out: bool) -> None:
    value = np.full(count, 40.0 + above_K)
    value[:low] = 47.0
    warm = part(name, value, count)
    found = out_of_place(warm, log(warm, part(SINK, 40.0, count)))
    assert (found is not None) is out
    if found:
        median = f"it is {above_K:.0f} K hotter than motor and inverter, which heat it"
        assert found == (median, 40.0, (-20.0, 4.0))
    nearly = part(COOLANT, np.where(np.arange(100) < 6, 49.0, 65.0))  # 9 K will do
    assert out_of_place(nearly, log(nearly, part(SINK, 40.0))) is not None
    slow = Part(COOLANT, 3.0 * np.arange(29.0), np.full(29, 80.0), "", "A.B")  # fewer than thirty readings
    assert out_of_place(slow, log(slow, part(SINK, 40.0))) is None
    assert out_of_place(warm, log(warm)) is None
