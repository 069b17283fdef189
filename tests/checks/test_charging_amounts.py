"""The amounts of a charge, from levels that stand still: integrals and intervals by hand, in the comments."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_pieces import charge, logged, read
from scipy import stats

from logscope.arrays import FloatArray
from logscope.checks.charging.amounts import (
    _edges,
    _efficiency,
    _summed,
    _supplied,
    _switched,
    find_amounts,
    find_load,
    mean_of,
)
from logscope.findings import Measured
from logscope.observations.charging.sessions import Session
from logscope.signals import Part
from logscope.statistics.integral import Integral

SECONDS = np.arange(0.0, 300.0, 1.0)
FLOWS = (SECONDS >= 100.0) & (SECONDS <= 200.0)


def steady(amps: float = 20.0, step: float | None = None, volts: float | None = 400.0, **of: object) -> Session:
    """Current from 100 to 200 s; the voltage stands all along."""
    current = read("charger_current", SECONDS, np.where(FLOWS, amps, 0.0), step=step)
    voltage = None if volts is None else read("charger_voltage", SECONDS, np.full(SECONDS.size, volts))
    return charge(current, 100.0, 200.0, voltage=voltage, noise_a=0.0, **of)  # type: ignore[arg-type]


def near(found: Measured | Integral | None, value: float, half: float) -> None:
    assert found is not None
    assert (found.value, found.low, found.high) == pytest.approx((value, value - half, value + half))


def test_a_sum_is_as_unsure_as_the_rounding_of_a_steady_level() -> None:
    """Half a step of 1 A over 100 s, from what nothing but the rounding moves."""
    near(_summed(np.arange(101.0), np.full(101, 10.0), 1.0), 1000.0, 50.0)
    near(_summed(np.arange(101.0), np.full(101, 10.0), None), 1000.0, 0.0)


@pytest.mark.parametrize(
    ("first_s", "last_s", "of_rule", "half"),
    [
        # 20 A at any moment within a second is ±10 A·s, 95 % of it 9.5; two of them √2 times that
        (99.0, 201.0, 0.0, 9.5 * 2**0.5),
        (99.0, 201.0, 20.0, 20.0),  # what the rule's own limits hold is not counted twice
        (100.0, 201.0, 0.0, 9.5),
        (99.0, 200.0, 0.0, 9.5),
        (100.0, 200.0, 3.0, 3.0),
    ],
)  # fmt: skip
def test_a_charge_may_begin_and_end_anywhere_between_two_readings(
    first_s: float, last_s: float, of_rule: float, half: float
) -> None:
    rows = (first_s <= SECONDS) & (last_s >= SECONDS)
    total = Integral(2000.0, 2000.0 - of_rule, 2000.0 + of_rule, 100.0)
    near(_switched(steady(), total, SECONDS[rows], np.where(FLOWS, 20.0, 0.0)[rows]), 2000.0, half)


@pytest.mark.parametrize(
    ("first_s", "last_s", "edges"),
    [
        # half-way to the readings without current; both off by half a second: √2/2
        (99.0, 201.0, (99.5, 200.5, 0.5 * 2**0.5)),
        (96.0, 201.0, (98.0, 200.5, 0.5 * (4.0**2 + 1.0) ** 0.5)),
        (100.0, 201.0, (100.0, 200.5, 0.5)),
        (99.0, 200.0, (99.5, 200.0, 0.5)),
        (99.0, 206.0, (99.5, 203.0, 0.5 * (1.0 + 6.0**2) ** 0.5)),
    ],
)  # fmt: skip
def test_a_current_begins_and_ends_half_way_to_the_readings_without_it(
    first_s: float, last_s: float, edges: tuple[float, float, float]
) -> None:
    at = np.concatenate([[first_s] * (first_s < 100.0), SECONDS[FLOWS], [last_s] * (last_s > 200.0)])
    current = read("charger_current", at, np.where((at >= 100.0) & (at <= 200.0), 20.0, 0.0))
    assert _edges(charge(current, 100.0, 200.0)) == pytest.approx(edges)


def test_a_charge_beside_a_load_steps_by_what_the_two_readings_differ() -> None:
    """From 5 to 20 A within a second and back: 95 % of ±7.5 A·s at either end."""
    total = Integral(2000.0, 2000.0, 2000.0, 100.0)
    near(_switched(steady(), total, SECONDS, np.where(FLOWS, 20.0, 5.0)), 2000.0, 0.95 * 7.5 * 2**0.5)


def watts(first_s: float = 100.5, last_s: float = 199.5, first_w: float = 9000.0, step: float | None = None) -> Part:
    at = np.arange(first_s, last_s + 0.01, 1.0)
    return read("charger_input_power", at, np.where(at == first_s, first_w, 9000.0), step=step)


def test_energy_from_the_mains_runs_on_to_where_the_current_begins_and_ends() -> None:
    """9 kW over 99 s, a second before and one after; what is unsure is √(1² + ½)·9 kW·s."""
    near(_supplied(steady(), logged(watts())), 9000.0 * 101.0 / 3600.0, 9000.0 * 1.5**0.5 / 3600.0)
    # the second before the first reading at that reading: 3 kW, and half as much less in the first step of the rule
    found = _supplied(steady(), logged(watts(first_w=3000.0)))
    assert found is not None
    assert found.value == pytest.approx((9000.0 * 101.0 - 6000.0 - 3000.0) / 3600.0)


def test_the_edges_of_a_supply_are_as_unsure_as_its_last_reading_is_high() -> None:
    """A line from 1 to 10.9 kW, whose sum is 99 s · 5.95 kW: a second of 1 kW before it, and one of 10.9 kW after."""
    at = np.arange(100.5, 199.6, 1.0)
    found = _supplied(steady(), logged(read("charger_input_power", at, np.linspace(1000.0, 10_900.0, at.size))))
    assert found is not None
    assert found.value * 3600.0 == pytest.approx(99.0 * 5950.0 + 1000.0 + 10_900.0)
    assert (found.high - found.value) * 3600.0 == pytest.approx(10_900.0 * 1.5**0.5, rel=1e-3)


@pytest.mark.parametrize(
    ("last_s", "left_out", "known"),
    [
        (199.5, 0.0, True), (195.5, 0.0, True), (194.5, 0.0, False),  # 95 of 100 s are enough, 94 are not
        (199.5, 3.0, True), (199.5, 4.0, False),  # 99 s, less a hole of four or five
    ],
)  # fmt: skip
def test_energy_from_the_mains_takes_readings_over_nearly_all_of_the_charge(
    last_s: float, left_out: float, known: bool
) -> None:
    power = watts(last_s=last_s)
    power = power.where((power.time_s < 150.0) | (power.time_s >= 150.0 + left_out))
    assert (_supplied(steady(), logged(power)) is not None) is known


@pytest.mark.parametrize(("rows", "known"), [(4, False), (5, True)])
def test_five_readings_are_enough(rows: int, known: bool) -> None:
    power = read("charger_input_power", np.linspace(100.0, 200.0, rows), np.full(rows, 9000.0))
    assert (_supplied(steady(), logged(power)) is not None) is known
    assert _supplied(steady(), logged()) is None


def test_efficiency_is_output_over_input_with_what_rounding_hides_of_each() -> None:
    """20 A · 400 V over 9 kW. Half a step each: 0.05 of 20 A, 0.5 of 400 V, 50 of 9000 W; their squares add."""
    session = steady(step=0.1)
    assert session.voltage is not None
    session = replace(session, voltage=replace(session.voltage, step=1.0))
    spread = (0.0025**2 + 0.00125**2 + (50.0 / 9000.0) ** 2) ** 0.5
    value = 100.0 * 8000.0 / 9000.0
    found = _efficiency(session, logged(watts(step=100.0)))
    near(found, value, value * spread)
    assert found is not None
    assert found.unit == "%"


def test_without_a_voltage_or_an_input_there_is_no_efficiency() -> None:
    assert _efficiency(steady(volts=None), logged(watts())) is None
    assert _efficiency(steady(), logged()) is None
    power = watts()
    assert _efficiency(steady(), logged(replace(power, value=0.0 * power.value))) is None
    session = steady()
    assert session.voltage is not None
    late = session.voltage.where(SECONDS > 130.0)
    assert _efficiency(replace(session, voltage=late), logged(power)) is None


def amounts(session: Session, *parts: Part) -> dict[str, Measured | None]:
    found = find_amounts(session, logged(*parts))
    return {name: getattr(found, name) for name in ("charge", "energy", "supplied", "efficiency", "warmer", "load")}


def test_each_amount_has_its_own_name_and_unit() -> None:
    """101 s at 20 A (half a second more at either end), at 400 V; 9 kW; from 20 to 22 °C; 20 less 17 A."""
    warm = read("battery_temperature_highest", SECONDS, np.where(SECONDS < 150.0, 20.0, 22.0), step=0.5)
    battery = read("battery_current", SECONDS, np.where(FLOWS, -17.0, 0.0))
    found = amounts(steady(), watts(), warm, battery)
    units = {name: (value.unit, value.value) for name, value in found.items() if value is not None}
    assert units == {
        "charge": ("Ah", pytest.approx(20.0 * 101.0 / 3600.0)),
        "energy": ("Wh", pytest.approx(8000.0 * 101.0 / 3600.0)),
        "supplied": ("Wh", pytest.approx(9000.0 * 101.0 / 3600.0)),
        "efficiency": ("%", pytest.approx(100.0 * 8000.0 / 9000.0)),
        "warmer": ("K", 2.0),
        "load": ("A", pytest.approx(3.0)),
    }
    assert found["warmer"] == Measured(2.0, "K", 1.5, 2.5)
    assert list(amounts(steady(volts=None)).values())[1:] == [None] * 5


@pytest.mark.parametrize("cut", ["starts_cut", "ends_cut"])
def test_a_charge_that_the_log_cuts_has_no_efficiency(cut: str) -> None:
    assert amounts(steady(**{cut: True}), watts())["efficiency"] is None


def test_what_flowed_in_a_hole_lies_between_nothing_and_the_highest_current() -> None:
    """A hole of 36 s is 20 A · 0.01 h more at most, and at 400 V so much energy."""
    whole, holed = amounts(steady(), watts()), amounts(steady(missing_s=36.0), watts())
    for name, more in (("charge", 0.2), ("energy", 80.0)):
        before, after = whole[name], holed[name]
        assert before is not None
        assert after is not None
        assert (after.value, after.low) == (before.value, before.low)
        assert before.high is not None
        assert after.high == pytest.approx(before.high + more)
    assert holed["efficiency"] is None


@pytest.mark.parametrize(("rows", "known"), [(4, False), (5, True)])
def test_warming_takes_five_readings_in_the_charge(rows: int, known: bool) -> None:
    at = np.concatenate([[90.0], np.linspace(100.0, 200.0, rows), [210.0]])
    warm = read("battery_temperature_highest", at, np.concatenate([[5.0], np.linspace(20.0, 24.0, rows), [90.0]]))
    found = amounts(steady(), warm)["warmer"]
    assert found == (Measured(4.0, "K", 4.0, 4.0) if known else None)


@pytest.mark.parametrize(
    ("from_s", "until_s", "known"),
    [(0.0, 300.0, True), (104.0, 300.0, True), (107.0, 300.0, False), (0.0, 193.0, False)],
)
def test_energy_takes_a_voltage_over_nearly_all_of_the_charge(from_s: float, until_s: float, known: bool) -> None:
    session = steady()
    assert session.voltage is not None
    own = session.voltage.where((from_s <= SECONDS) & (until_s >= SECONDS))
    assert (amounts(replace(session, voltage=own))["energy"] is not None) is known


BESIDE = np.arange(100.0, 200.0, 1.0)


def load(inward: FloatArray, of_charger: bool = True, at: FloatArray = BESIDE) -> Measured | None:
    return find_load(steady(of_charger=of_charger), logged(read("battery_current", at, -inward)))


def test_a_load_is_the_difference_of_two_currents_without_their_ends() -> None:
    """Of 100 readings the first and the last ten play no part."""
    inward = np.full(100, 17.0)
    inward[:10], inward[-10:] = 1.0, 40.0
    assert load(inward) == Measured(3.0, "A", 3.0, 3.0)
    inward[10] = 18.0
    found = load(inward)
    assert found is not None
    assert found.value == pytest.approx(3.0 - 1.0 / 80.0)
    assert load(inward, of_charger=False) is None
    assert find_load(steady(), logged()) is None


@pytest.mark.parametrize(("inward_a", "known"), [(0.1, True), (0.0, False), (-5.0, False)])
def test_a_battery_current_that_does_not_point_inwards_shows_no_load(inward_a: float, known: bool) -> None:
    assert (load(np.full(100, inward_a)) is not None) is known


@pytest.mark.parametrize(("rows", "known"), [(5, True), (4, False)])
def test_a_load_takes_five_readings(rows: int, known: bool) -> None:
    assert (load(np.full(rows, 17.0), at=BESIDE[:rows]) is not None) is known


def test_limits_of_charge_and_energy_begin_at_nothing() -> None:
    """20 A for 1 s between two readings without it: 20 A·s, and its two ends leave 13.4 of it open."""
    current = read("charger_current", SECONDS, np.where(SECONDS == 150.0, 20.0, 0.0))
    voltage = read("charger_voltage", SECONDS, np.full(SECONDS.size, 400.0))
    found = find_amounts(charge(current, 150.0, 150.0, voltage=voltage, noise_a=0.0), logged())
    for value, scale in ((found.charge, 1.0), (found.energy, 400.0)):
        assert value is not None
        assert value.value == pytest.approx(scale * 20.0 / 3600.0)
        assert value.low is not None
        assert value.high is not None
        assert 0.0 <= value.low < scale * 6.6 / 3600.0
        assert value.high >= scale * 33.4 / 3600.0


def test_the_mean_of_blocks_has_students_limits() -> None:
    """scipy.stats.t over twenty means of five readings each."""
    value = np.random.default_rng(12).normal(3.0, 1.0, 100)
    means = value.reshape(20, 5).mean(axis=1)
    low, high = stats.t.interval(0.95, 19, value.mean(), stats.sem(means))
    found = mean_of(value)
    assert (found.value, found.low, found.high) == pytest.approx((value.mean(), low, high))


def test_scatter_of_input_and_output_widens_an_efficiency() -> None:
    """Its square is the sum of both: an output that scatters, an input that does, and both together."""
    rng = np.random.default_rng(13)
    session = steady()
    shaken = replace(session.current.part, value=session.current.part.value + np.where(FLOWS, rng.normal(0, 4, 300), 0))
    power = watts()
    rough = replace(power, value=power.value + rng.normal(0.0, 900.0, power.value.size))
    spreads = []
    for part, own in ((shaken, power), (session.current.part, rough), (shaken, rough)):
        made = replace(session, current=replace(session.current, part=part))
        found = _efficiency(made, logged(own))
        assert found is not None
        assert found.value is not None
        assert found.high is not None
        assert found.low == pytest.approx(2.0 * found.value - found.high)
        spreads.append(found.high / found.value - 1.0)
    assert min(spreads[:2]) > 1e-3
    assert spreads[2] == pytest.approx(np.hypot(*spreads[:2]), rel=0.02)


def test_a_small_charge_has_small_amounts() -> None:
    """A cell: 0.1 A at 4 V for 101 s, of 0.5 W from the mains; thousandths of an Ah and of a Wh."""
    power = read("charger_input_power", SECONDS, np.where(FLOWS, 0.5, 0.0))
    found = find_amounts(steady(0.1, volts=4.0), logged(power))
    for amount, per_s in ((found.charge, 0.1), (found.energy, 0.4), (found.supplied, 0.5)):
        assert amount is not None
        assert amount.value == pytest.approx(per_s * 101.0 / 3600.0)
        # from all but two seconds of it to all and two more
        assert per_s * 99.0 / 3600.0 < amount.low < amount.value < amount.high < per_s * 103.0 / 3600.0
