"""Dips of the 12 V side and the resistance that it is fed through, by rows made by hand, a guard a row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from aux_pieces import logged, read, side_of, state

from logscope.checks.aux_supply.dips import (
    Dip,
    Switched,
    after_switching,
    by_what,
    find_dips,
    states,
    switched_on,
    visible_drop,
)
from logscope.checks.aux_supply.resistance import Resistances, find_resistances, total_current
from logscope.checks.aux_supply.unexplained import Unexplained, _beside, find_unexplained
from logscope.findings import Measured
from logscope.signals import Load
from logscope.statistics.robust_line import Slope

t = np.arange(0.0, 60.0, 0.1)
STEPS = np.arange(0.03, 60.0, 0.1)  # a state's own moments


@pytest.mark.parametrize(("noise_V", "step_V", "drop_V"), [(0.001, 0.01, 0.05), (0.02, 0.01, 0.08), (0.001, 0.1, 0.2)])
def test_a_dip_is_visible_beyond_noise_steps_and_50_mv(noise_V: float, step_V: float, drop_V: float) -> None:
    assert visible_drop(side_of(t, 13.0, noise_V=noise_V, step_V=step_V)) == pytest.approx(drop_V)


def test_states_are_those_of_loads_coils_pump_and_fan_each_signal_once() -> None:
    pump = replace(state("brake pump", STEPS, STEPS > 5.0), source="Made.coolant_pump")
    unknown = replace(state("main_contactor", STEPS, STEPS > 5.0), on=None)
    names = ("coolant_fan", "coolant_pump", "negative_contactor", "precharge_relay", "converter_state")
    parts = [state(name, STEPS, STEPS > 5.0) for name in names]
    loads = (Load("brake pump", pump), Load("heater", replace(pump, on=None)), Load("wiper"))
    found = list(states(logged(*parts, unknown, loads=loads)))
    assert [name for name, _ in found] == ["brake pump", "precharge relay", "negative contactor", "coolant fan"]
    assert [part.name for _, part in found] == ["brake pump", "precharge_relay", "negative_contactor", "coolant_fan"]
    same = replace(parts[0], source=parts[1].source)
    assert [name for name, _ in states(logged(parts[1], same))] == ["coolant pump"]


def test_switchings_on_come_in_order_of_time() -> None:
    relay = state("precharge_relay", STEPS, (STEPS > 20.0) & (STEPS < 30.0))
    pump = state("coolant_pump", STEPS, (STEPS > 10.0) & (STEPS < 15.0) | (STEPS > 40.0))
    found = switched_on(logged(relay, pump))
    assert [name for name, _ in found] == ["coolant pump", "precharge relay", "coolant pump"]
    assert [each.time_s for _, each in found] == pytest.approx([10.03, 20.03, 40.03])
    assert all(each.on for _, each in found)


def test_rows_after_a_switching_on_or_off_are_those_from_its_earliest_moment_on() -> None:
    """A state may be a period of its own, or 0.15 s, late: it changed between 9.78 and 10.03 s."""
    pump = state("coolant_pump", STEPS, (STEPS > 10.0) & (STEPS < 20.0))
    about = t[after_switching(side_of(t, 13.0), logged(pump), 2.0)]
    first, second = about[about < 15.0], about[about > 15.0]
    assert (first[0], first[-1]) == pytest.approx((9.8, 12.0))
    assert (second[0], second[-1]) == pytest.approx((19.8, 22.0))
    assert not after_switching(side_of(t, 13.0), logged(), 2.0).any()


PUMP = state("coolant_pump", STEPS, STEPS > 10.0)


def test_a_dip_is_the_level_before_less_the_lowest_after() -> None:
    """The level is the median over 1.5 s; half a second after the switching the dip may still come."""
    volts = np.where(t < 8.25, 13.0, np.where(t < 9.15, 13.5, 13.3))  # nine rows of fifteen
    for at_s, low_V in ((10.5, 12.9), (10.7, 11.0), (9.7, 11.5)):
        volts[np.argmin(np.abs(t - at_s))] = low_V
    (dip,) = find_dips(side_of(t, volts), logged(PUMP))
    assert (dip.what, dip.coil) == (("coolant pump",), False)
    assert (dip.since_s, dip.until_s) == pytest.approx((9.78, 10.53))
    assert (dip.drop_V, dip.low_V) == (pytest.approx(0.6), 12.9)


@pytest.mark.parametrize(
    ("name", "coil"),
    [("precharge_relay", True), ("main_contactor", True), ("negative_contactor", True), ("coolant_fan", False)],
)
def test_contactors_and_their_relay_are_coils(name: str, coil: bool) -> None:
    (dip,) = find_dips(side_of(t, 13.0), logged(state(name, STEPS, STEPS > 10.0)))
    assert dip.coil is coil


@pytest.mark.parametrize(
    ("later_s", "what"),
    [(0.7, [("coolant pump", "main contactor")]), (0.8, [("coolant pump",), ("main contactor",)])],
)
def test_what_switches_within_half_a_second_is_one_dip(later_s: float, what: list[tuple[str, ...]]) -> None:
    """A state that came 0.7 s later may have changed 0.45 s later."""
    contactor = state("main_contactor", STEPS, 10.0 + later_s < STEPS)
    found = find_dips(side_of(t, 13.0), logged(PUMP, contactor))
    assert [dip.what for dip in found] == what
    assert [dip.coil for dip in found] == [any("contactor" in name for name in each) for each in what]
    assert found[-1].until_s == pytest.approx(10.53 + later_s)
    assert found[0].since_s == pytest.approx(9.78)


def test_a_dip_needs_three_rows_before_it_and_one_after_in_one_stretch() -> None:
    early = state("coolant_pump", STEPS, STEPS > 0.5)
    assert len(find_dips(side_of(t, 13.0), logged(early))) == 1  # three rows before 0.28 s
    assert find_dips(side_of(t[1:], 13.0), logged(early)) == []
    gap = t[(t < 9.0) | (t > 10.15)]
    assert find_dips(side_of(gap, 13.0), logged(PUMP)) == []
    assert len(find_dips(side_of(t[t < 9.85], 13.0), logged(PUMP))) == 1
    assert find_dips(side_of(t[t < 9.75], 13.0), logged(PUMP)) == []
    assert find_dips(side_of(t, 13.0), logged()) == []


def dip(what: tuple[str, ...], drop_V: float, low_V: float) -> Dip:
    return Dip(what, False, 0.0, 1.0, drop_V, low_V)


def test_dips_of_the_same_loads_are_gathered_the_deepest_first() -> None:
    dips = [
        dip(("fan",), 0.2, 13.3), dip(("pump", "fan"), 1.0, 12.6), dip(("fan", "pump"), 1.2, 12.4),
        dip(("fan",), 0.3, 13.1), dip(("lamp",), 0.04, 13.4), dip(("fan",), 0.05, 13.5), dip(("fan",), 0.051, 13.6),
    ]  # fmt: skip
    found = by_what(dips, side_of(t, 13.5, noise_V=0.01, step_V=0.02))
    assert found == [
        Switched("fan + pump", 2, 2, Measured(pytest.approx(1.1), "V", pytest.approx(1.07), None), 12.4),
        Switched("fan", 4, 3, Measured(pytest.approx(0.2), "V", pytest.approx(0.17), None), 13.1),
    ]
    (unsure,) = by_what([dip(("fan",), 0.06, 13.0)], side_of(t, 13.5, noise_V=0.012, step_V=0.02))
    assert unsure.drop.low == pytest.approx(0.026)
    (rounded,) = by_what([dip(("fan",), 0.13, 13.0)], side_of(t, 13.5, noise_V=0.03, step_V=0.03))
    assert rounded.drop.low == pytest.approx(0.055)


DIPS_S = (18.0, 28.0, 38.0)


def dipping(drop_V: float, lasts_s: float = 0.5, **known: object):
    volts = np.full(t.size, 13.5)
    for at_s in DIPS_S:
        volts[(t > at_s - 0.05) & (t < at_s + lasts_s - 0.05)] -= drop_V
    return side_of(t, volts, **known)


@pytest.mark.parametrize(
    ("drop_V", "known", "seen"),
    [
        (0.51, {}, True),
        (0.49, {}, False),
        (0.61, {"noise_V": 0.1}, True),
        (0.59, {"noise_V": 0.1}, False),
        (0.61, {"step_V": 0.2}, True),
        (0.59, {"step_V": 0.2}, False),
        (1.0, {"period_s": 0.0}, False),
        (1.0, {"settled": False}, True),  # where nothing shows whether the converter runs, no row is settled
        (1.0, {"settled": False, "running": 1.0}, False),
        (1.0, {"running": 1.0}, True),
    ],
)
def test_a_dip_that_nothing_explains_is_half_a_volt_deep_and_clear_of_noise_and_steps(
    drop_V: float, known: dict[str, object], seen: bool
) -> None:
    found = find_unexplained(dipping(drop_V, **known), logged())
    assert (found is not None) is seen
    if found is not None:
        assert [since_s for since_s, _ in found.spans] == pytest.approx(DIPS_S)
        assert [until_s for _, until_s in found.spans] == pytest.approx([18.4, 28.4, 38.4])
        assert (found.deepest_V, found.low_V) == (pytest.approx(drop_V), pytest.approx(13.5 - drop_V))
        assert found.without_current == ()


def test_a_dip_after_a_switching_is_explained_for_2_s() -> None:
    pump = state("coolant_pump", STEPS, (STEPS > 16.2) & (STEPS < 25.0) | (STEPS > 35.0))
    found = find_unexplained(dipping(1.0), logged(pump))
    assert found is not None
    assert [since_s for since_s, _ in found.spans] == pytest.approx([18.3, 28.0, 38.0])


CURRENT = {
    "no current": ([], 0.5, 0),
    "steady": ([("aux_current", 0.0), ("converter_current", 0.0)], 0.5, 3),
    "one of two": ([("aux_current", 0.0)], 0.5, 0),
    "a rise of 2.9 A": ([("aux_current", 2.9), ("converter_current", 0.0)], 0.5, 3),
    "a rise of 3.1 A": ([("aux_current", 3.1), ("converter_current", 0.0)], 0.5, 0),
    "a rise of both together": ([("aux_current", 1.6), ("converter_current", 1.6)], 0.5, 0),
    "a fall": ([("aux_current", -20.0), ("converter_current", 0.0)], 0.5, 3),
    "one moves into the other": ([("aux_current", 20.0), ("converter_current", -20.0)], 0.5, 3),
    "of one reading": ([("aux_current", 0.0), ("converter_current", 0.0)], 0.1, 0),
    "of two readings": ([("aux_current", 0.0), ("converter_current", 0.0)], 0.2, 3),
}


@pytest.mark.parametrize("name", CURRENT)
def test_a_dip_is_without_current_where_the_whole_current_is_known_and_did_not_rise(name: str) -> None:
    currents, lasts_s, without = CURRENT[name]
    side = dipping(1.0, lasts_s)
    parts = [read(part, t, np.where(side.volts < 13.0, rise_a, 0.0) + 10.0) for part, rise_a in currents]
    found = find_unexplained(side, logged(*parts))
    assert found is not None
    assert len(found.spans) == 3
    assert len(found.without_current) == without
    assert set(found.without_current) <= set(found.spans)


def test_a_pulse_of_current_in_a_dip_is_its_cause() -> None:
    side = dipping(1.0)
    pulse = np.where(np.isclose(t, 18.2), 25.0, 10.0)
    found = find_unexplained(side, logged(read("aux_current", t, pulse), read("converter_current", t, 10.0)))
    assert found is not None
    assert [since_s for since_s, _ in found.without_current] == pytest.approx([28.0, 38.0])


def test_what_a_current_rose_by_is_its_rise_above_the_four_seconds_about_it() -> None:
    """It stands 5 A higher from 6 s before the second dip to 3 s after it."""
    side = dipping(1.0)
    parts = [
        read("aux_current", t, np.where((t > 22.0) & (t < 31.6), 15.0, 10.0)),
        read("converter_current", t, 10.0),
    ]
    found = find_unexplained(side, logged(*parts))
    assert found is not None
    assert len(found.without_current) == 3


@pytest.mark.parametrize(
    ("dips", "without", "loose"),
    [(3, 2, True), (4, 2, False), (2, 2, True), (1, 1, False), (5, 3, True), (2, 0, False)],
)
def test_a_connection_is_loose_where_most_dips_and_two_at_least_are_without_current(
    dips: int, without: int, loose: bool
) -> None:
    spans = tuple((float(k), k + 0.5) for k in range(dips))
    assert Unexplained(spans, spans[:without], 1.0, 12.0).loose is loose


def test_a_level_beside_a_row_is_the_lower_of_those_before_and_after() -> None:
    """Medians over 4 s: a row is compared with those 2 s before and after it."""
    side = side_of(t, np.where(t < 29.95, 13.8, 13.0))
    found = _beside(side)
    assert np.all(found[t < 27.95] == 13.8)
    assert np.all(found[(t > 28.05) & (t < 40.0)] == 13.0)
    rises = _beside(replace(side, volts=side.volts[::-1].copy()))
    assert np.all(rises[t < 31.9] == 13.0)
    assert np.all(rises[t > 32.1] == 13.8)
    dips = np.where((t > 29.95) & (t < 31.85), 12.0, 13.8)  # 19 of 41 rows
    assert np.all(_beside(side_of(t, dips)) == 13.8)
    half = np.where((t > 29.95) & (t < 32.05), 12.0, 13.8)  # 21 of 41 rows
    low_s = np.concatenate([np.arange(28.0, 30.05, 0.1), np.arange(32.0, 34.05, 0.1)])
    assert t[_beside(side_of(t, half)) == 12.0] == pytest.approx(low_s)


PULSES = np.where((t % 8.0) >= 4.0, 30.0, 10.0)


def stepping(ohm: float, volts: float = 13.8, **known: object):
    return side_of(t, volts - ohm * PULSES, step_V=0.001, **known)


def test_resistances_are_those_of_what_gives_the_current_in_each_state() -> None:
    """Ohm's law: 20 A over so many milliohms, with the converter running for the first half of the minute."""
    on = t < 32.0
    volts = np.where(on, 13.8 - 0.02 * PULSES, 12.6 - 0.05 * PULSES)
    side = side_of(t, volts, step_V=0.001, running=on.astype(float))
    battery = read("aux_current", t, np.where(on, 0.0, PULSES))
    converter = read("converter_current", t, np.where(on, PULSES, 0.0))
    found = find_resistances(side, logged(battery, converter))
    assert {name: each.value for name, each in found.measured.items()} == {
        "source_resistance_ohm": pytest.approx(0.02, rel=0.01),
        "converter_resistance_ohm": pytest.approx(0.02, rel=0.01),
        "low_voltage_battery_ohm": pytest.approx(0.05, rel=0.01),
    }
    load = (Load("heater", None, read("heater current", t, PULSES)),)
    by_load = find_resistances(side, logged(loads=load)).measured
    assert {name: each.value for name, each in by_load.items()} == {
        "source_resistance_ohm": pytest.approx(0.02, rel=0.01),
        "low_voltage_battery_ohm": pytest.approx(0.05, rel=0.01),
    }
    alone = find_resistances(side, logged(converter)).measured
    assert list(alone) == ["converter_resistance_ohm"]
    # of the currents of two sources and a load, the sources' sum counts
    half = find_resistances(side, logged(read("aux_current", t, PULSES), converter, loads=load))
    assert half.source is not None
    assert half.source.value == pytest.approx(0.01, rel=0.01)
    assert find_resistances(side, logged(read("aux_current", t[:1], 0.0))).measured == {}
    assert (
        find_resistances(side, logged(loads=(Load("heater", None, read("heater current", t[:1], 9.0)),))).measured == {}
    )


def test_a_whole_current_is_the_sum_of_battery_and_converter() -> None:
    side = stepping(0.02)
    both = total_current(side, logged(read("aux_current", t, 3.0), read("converter_current", t, PULSES)))
    assert both is not None
    assert both.amps == pytest.approx(PULSES + 3.0)
    assert total_current(side, logged(read("converter_current", t, PULSES))) is None
    assert total_current(side, logged(read("aux_current", t[:1], 3.0), read("converter_current", t, PULSES))) is None


@pytest.mark.parametrize(
    ("terminals_V", "amps", "steps", "cable"),
    [
        (14.0, 20.0, (None, 0.0), (0.05, 0.036, 0.064)),  # 2 % of 14 V are 0.28 V
        (14.0, 20.0, (0.02, 0.04), (0.05, 0.0345, 0.0655)),  # and half a step of either
        (13.26, 20.0, (None, 0.0), None),  # 0.26 V is less than 2 % of it
        (13.28, 20.0, (None, 0.0), (0.014, 0.00072, 0.02728)),
        (13.28, 20.0, (0.04, 0.0), None),
        (13.28, 20.0, (None, 0.04), None),
        (12.0, 20.0, (None, 0.0), None),
        (14.0, 0.0, (None, 0.0), None),
        (14.0, -5.0, (None, 0.0), None),
    ],
)
def test_a_cable_is_the_difference_of_two_levels_over_the_current_beyond_two_meters_error(
    terminals_V: float, amps: float, steps: tuple[float | None, float], cable: tuple[float, float, float] | None
) -> None:
    """The 12 V side stands at 13.0 V with the converter running, for the first half of the time."""
    on = t < 30.0
    side = side_of(t, np.where(on, 13.0, 12.0), step_V=steps[1], running=on.astype(float))
    parts = (read("converter_voltage", t, np.where(on, terminals_V, 0.0), steps[0]), read("converter_current", t, amps))
    found = find_resistances(side, logged(*parts)).cable
    if cable is None:
        assert found is None
    else:
        assert found == Measured(pytest.approx(cable[0]), "ohm", pytest.approx(cable[1]), pytest.approx(cable[2]))
        assert find_resistances(side, logged(parts[1])).cable is None
        assert find_resistances(side, logged(parts[0])).cable is None
        assert find_resistances(side, logged(parts[0].where(t < 0.05), parts[1])).cable is None
        assert find_resistances(side, logged(parts[0], parts[1].where(t < 0.05))).cable is None
        few = replace(side, settled=t < 0.85)
        assert find_resistances(few, logged(*parts)).cable is None
        assert find_resistances(replace(side, settled=t < 0.95), logged(*parts)).cable is not None


def test_resistances_by_name_and_the_worst_that_is_surely_too_high() -> None:
    def slope(value: float, low: float) -> Slope:
        return Slope(value, low, value + 0.1, 0.01, 5)

    battery, converter, source = slope(0.2, 0.11), slope(0.3, 0.09), slope(0.15, 0.12)
    cable = Measured(0.25, "ohm", 0.2, 0.3)
    every = Resistances(battery, converter, source, cable)
    assert every.measured == {
        "source_resistance_ohm": Measured(0.15, "ohm", 0.12, 0.25),
        "converter_resistance_ohm": Measured(0.3, "ohm", 0.09, 0.4),
        "low_voltage_battery_ohm": Measured(0.2, "ohm", 0.11, pytest.approx(0.3)),
        "cable_resistance_ohm": cable,
    }
    assert every.high == ("cables from the converter", cable)
    assert Resistances(battery, converter, source, None).high == (
        "12 V battery with its cables", Measured(0.2, "ohm", 0.11, pytest.approx(0.3)),
    )  # fmt: skip
    assert Resistances(None, slope(0.3, 0.11), source, None).high[0] == "converter with its cables"
    assert Resistances(None, None, source, None).high[0] == "converter and battery together"
    assert Resistances(None, converter, None, None).high is None
    assert Resistances(None, None, None, None).high is None
    assert Resistances(None, None, None, None).measured == {}
