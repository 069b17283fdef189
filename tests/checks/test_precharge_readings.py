"""What a reading of a link voltage is worth: repeated, late, filtered or missing, and what is then claimed."""

from __future__ import annotations

import numpy as np
import pytest
from one_check import findings_of
from seeds import seeds

from logscope.arrays import FloatArray
from logscope.checks.precharge.check import precharge
from logscope.curves.timestamps import Known, grid_of, timestamps_of
from logscope.findings import Finding, Severity
from logscope.observations.dc_link.link import describe_link
from logscope.observations.dc_link.readings import at_rows, last_of_bursts, own_readings, readings_between
from logscope.physics.rc import settled_fraction, settled_fraction_three_pole, settled_fraction_two_pole
from logscope.signals import Part, Signals
from logscope.vehicle import Precharge, Vehicle

PACK_V = 350.0
STEP_V = 0.5


def _signals(time_s: FloatArray, volts: FloatArray, seed: int = 5) -> Signals:
    noise = np.random.default_rng(seed).normal(0, 0.2, time_s.size)
    read = np.round((volts + noise) / STEP_V) * STEP_V
    pack_s = np.arange(0, time_s[-1], 0.1)
    return Signals(
        {
            "dc_link_voltage": Part("dc_link_voltage", time_s, np.maximum(read, 0), "V", "Link.Voltage", STEP_V),
            "battery_voltage": Part("battery_voltage", pack_s, np.full(pack_s.size, PACK_V), "V", "Pack.Voltage", 0.1),
        },
        0.0,
        float(time_s[-1]),
    )


def _vehicle(ohm: float, farad: float) -> Vehicle:
    return Vehicle(precharge=Precharge(resistance_ohm=ohm, capacitance_uF=farad * 1e6))


def _stamps(period_s: float, end_s: float = 4.0, seed: int = 6) -> FloatArray:
    t = np.arange(0.003, end_s, period_s)
    return t + np.random.default_rng(seed).uniform(0, min(1e-3, period_s / 10), t.size)


def _charge(time_s: FloatArray, tau: float, lag: float | None = None) -> FloatArray:
    after = time_s - 1.2
    return PACK_V * (settled_fraction(after, tau) if lag is None else settled_fraction_two_pole(after, tau, lag))


def _one(signals: Signals, vehicle: Vehicle) -> Finding:
    (found,) = findings_of(precharge, signals, vehicle)
    return found


def test_a_lagging_sensor_and_a_slow_link_may_look_the_same() -> None:
    """R·C 5 ms behind a lag of 70 ms, every 39 ms: the S at the beginning falls between two samples."""
    for seed in (1, 2):
        t = _stamps(0.039, seed=seed)
        found = _one(_signals(t, _charge(t, 0.005, 0.07), seed), _vehicle(50, 1e-4))
        assert found.kind in ("precharge.undetermined", "precharge.complete")


def test_a_link_that_is_slow_beyond_any_lag_is_slow() -> None:
    """1.8 × R·C of 149 ms, every 10 ms. A lag leaves an S, and this curve has none."""
    t = _stamps(0.01)
    found = _one(_signals(t, _charge(t, 0.266)), _vehicle(149, 1e-3))
    assert found.kind == "precharge.slow"
    assert "too slow" in found.title
    assert found.measured["implied_resistance_ohm"].value == pytest.approx(266, rel=0.02)
    assert "266\N{NO-BREAK SPACE}Ω" in found.explanation
    # ½·C·V² = 61 J whatever the resistor is; 1.8 times as much if it is the capacitance that is larger.
    energy = found.measured["resistor_energy_J"]
    assert energy.value == pytest.approx(0.5e-3 * PACK_V**2, rel=0.03)
    assert energy.high == pytest.approx(0.5e-3 * PACK_V**2 * 266 / 149, rel=0.08)


def test_a_fast_link_may_be_one_past_its_resistor_behind_a_lag() -> None:
    """70 ms where 149 ms are expected may be the sensing's; 300 ms where 800 ms are expected may not."""
    t = _stamps(0.01)
    short, long = (_one(_signals(t, _charge(t, tau)), _vehicle(ohm, 1e-3)) for tau, ohm in ((0.07, 149), (0.3, 800)))
    assert short.kind == long.kind == "precharge.fast"
    assert "treat it as bypassed" in short.next_step
    assert "treat it as bypassed" not in long.next_step


def test_a_few_readings_clear_of_the_level_behind_are_a_curve() -> None:
    """Every 0.2 s, of 168 ms where 107 ms are expected: three readings are clear of where the link comes to.

    Apart from 5 and 95 % of the rise there are two.
    """
    t = np.arange(0.17, 4.0, 0.2)
    found = _one(_signals(t, _charge(t, 0.168)), _vehicle(107, 1e-3))
    assert found.kind == "precharge.slow"


@pytest.mark.parametrize(("first_s", "last_s"), [(1.25, 1.8), (1.3, 1.75)])
def test_a_rise_with_a_hole_in_it_is_not_called_good(first_s: float, last_s: float) -> None:
    t = _stamps(0.01)
    t = t[(t < first_s) | (t > last_s)]
    found = _one(_signals(t, _charge(t, 0.2)), _vehicle(200, 1e-3))
    assert found.kind == "precharge.undetermined"
    assert "missing from the log" in found.explanation


def test_a_load_on_the_link_is_named_with_its_power_and_its_remedy() -> None:
    """340 of 350 V behind 100 ohm: 0.1 A, 34 W, 3.4 kohm; but for that the link is as expected."""
    t = _stamps(0.01)
    volts = _charge(t, 0.15 * 330 / 350) * 330 / 350
    found = _one(_signals(t, volts), _vehicle(150, 1e-3))
    load, watts = found.measured["parallel_load_ohm"], found.measured["load_power_W"]
    assert load.value == pytest.approx(330 / (20 / 150), rel=0.05)  # Ohm's law
    assert watts.value == pytest.approx(330 * 20 / 150, rel=0.05)
    assert "only after the main contactor has closed" in found.next_step


def test_repeated_readings_are_one() -> None:
    ticks = np.arange(0.0, 4.0, 0.059)
    t = np.arange(0.1, 3.9, 0.05)
    read = np.round(_charge(ticks, 0.27) / STEP_V) * STEP_V
    carried = read[np.searchsorted(ticks, t, side="right") - 1]
    part = Part("dc_link_voltage", t, carried, "V", "Link.Voltage", STEP_V)
    logged = describe_link(Signals({"dc_link_voltage": part}, 0.0, 4.0), None)
    own = own_readings(logged)
    link = at_rows(logged, np.flatnonzero(own.first))
    assert own.repeated
    rising = link.part.value[(link.part.value > 0.05 * PACK_V) & (link.part.value < 0.9 * PACK_V)]
    assert np.all(np.diff(rising) > 0)
    assert np.isin(rising, read).all()


@pytest.mark.parametrize("grid_s", [0.0, 0.05])
@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_a_sensor_slower_than_its_message_is_timed_by_its_own_clock(grid_s: float, seed: int) -> None:
    """59 ms behind 50 ms: by the stamps of its messages the constant would be known to 7 % only."""
    rng = np.random.default_rng([64, seed])
    ticks = np.arange(rng.uniform(0.0, 0.05), 5.0, 0.059)
    t = np.arange(rng.uniform(0.1, 0.15), 4.5, 0.05)
    read = np.round((_charge(ticks, 0.27) + rng.normal(0.0, 0.15, ticks.size)) / STEP_V) * STEP_V
    carried = read[np.searchsorted(ticks, t, side="right") - 1]
    stamps = np.ceil(t / grid_s) * grid_s if grid_s else t
    part = Part("dc_link_voltage", stamps, carried, "V", "Link.Voltage", STEP_V)
    known = _one(Signals({"dc_link_voltage": part}, 0.0, 5.0), _vehicle(270, 1e-3)).measured["time_constant_s"]
    assert known.low < 0.27 < known.high
    assert known.high - known.low < 0.04 * 0.27


def test_a_reading_that_lasts_for_three_messages_is_one_and_keeps_its_turn() -> None:
    """A sensor of 43.5 ms in messages of 20 ms: each reading comes two or three times, on the way up as well."""
    message_s = np.round(np.arange(0.0, 4.0, 0.02) + np.random.default_rng(3).uniform(-5e-4, 5e-4, 200), 3)
    taken_s = np.arange(0.0025, 4.0, 0.0435)
    read = np.round(_charge(taken_s, 0.055), 1)
    volts = read[np.maximum(np.searchsorted(taken_s, message_s) - 1, 0)]
    part = Part("dc_link_voltage", message_s, volts, "V", "Link.Voltage", 0.1)
    link = describe_link(Signals({"dc_link_voltage": part}, 0.0, 4.0), battery_min_v=None)
    rise = readings_between(link, 1.21, 1.5)
    assert rise.stamps.known is Known.COUNTED
    assert rise.volts.size >= 6
    assert np.diff(rise.time_s) == pytest.approx(0.0435, rel=0.03)
    assert np.all(np.diff(rise.volts) > 0)


@pytest.mark.parametrize("seed", seeds(1, of=6))
def test_a_repeated_reading_never_takes_the_turn_of_the_next(seed: int) -> None:
    """A sensor of 5.9 ms in messages of 5 ms, sent 0.3 ms off their beat: every sixth one repeats the one before."""
    rng = np.random.default_rng([65, seed])
    message_s = np.sort(np.arange(0.0, 3.0, 0.005) + rng.normal(0.0, 3e-4, 600))
    taken_s = np.arange(rng.uniform(0.0, 0.005), 3.0, 0.0059)
    read = np.round(_charge(taken_s, 0.13, 0.046) / STEP_V) * STEP_V
    volts = read[np.maximum(np.searchsorted(taken_s, message_s) - 1, 0)]
    part = Part("dc_link_voltage", message_s, volts, "V", "Link.Voltage", STEP_V)
    rise = readings_between(describe_link(Signals({"dc_link_voltage": part}, 0.0, 3.0), None), 1.23, 1.4)
    assert rise.stamps.known is Known.COUNTED
    assert np.all((np.diff(rise.volts) == 0) == (np.diff(rise.time_s) == 0))


@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_a_curve_of_which_each_reading_comes_twice_is_fitted(seed: int) -> None:
    """10.8 ms in messages of 5 ms, in whole volts: no single step stands out of the rounding, and yet they repeat."""
    rng = np.random.default_rng([66, seed])
    t = np.arange(rng.uniform(0.0, 0.005), 6.0, 0.005)
    taken_s = np.arange(0.001, 6.0, 0.0108)
    read = np.round(0.4 * _charge(taken_s, 0.526))
    part = Part("dc_link_voltage", t, read[np.maximum(np.searchsorted(taken_s, t) - 1, 0)], "V", "Link.Voltage", 1.0)
    pack = Part("battery_voltage", t[::20], np.full(t[::20].size, 0.4 * PACK_V), "V", "Pack.Voltage", 0.1)
    found = _one(Signals({"dc_link_voltage": part, "battery_voltage": pack}, 0.0, 6.0), _vehicle(328, 1e-3))
    assert found.kind == "precharge.slow"
    known = found.measured["time_constant_s"]
    assert known.low < 0.526 < known.high


def test_a_pause_of_many_samples_is_no_repeated_reading() -> None:
    """A relay that drops out for 150 ms: fifteen equal readings every 10 ms."""
    t = _stamps(0.01)
    volts = np.where(t < 1.35, _charge(t, 0.2), np.maximum(_charge(t - 0.15, 0.2), _charge(np.array([1.35]), 0.2)))
    link = describe_link(_signals(t, volts), None)
    assert own_readings(link).first.all()


def test_stamps_on_a_coarse_grid_are_known_only_to_the_grid() -> None:
    t = np.arange(200) * 0.05
    assert grid_of(t) == pytest.approx(0.05)
    assert timestamps_of(t, 0.05, repeats=False).known is Known.AT_MOST
    stale = timestamps_of(t, 0.05, repeats=True)
    assert (stale.known, stale.error_s) == (Known.SURELY, pytest.approx(0.05 * np.sqrt(2 / 12)))
    assert timestamps_of(np.round(_stamps(0.05), 3), 0.05, repeats=False).known is Known.BY_SCATTER


def test_a_reading_that_is_gone_at_once_is_no_precharge() -> None:
    """A controller sends a default of 60 V as it boots; nothing takes a link's charge within 20 ms."""
    t = _stamps(0.02)
    volts = _charge(t, 0.15)
    volts[20] = 60.0
    link = {"dc_link_voltage": _signals(t, volts).parts["dc_link_voltage"]}
    for parts in (_signals(t, volts).parts, link):
        (found,) = findings_of(precharge, Signals(parts, 0.0, float(t[-1])), _vehicle(150, 1e-3))
        assert found.start_s == pytest.approx(1.2, abs=0.03)
        assert found.kind == "precharge.complete"


def test_few_readings_behind_lags_are_no_interruption() -> None:
    """RC 48 ms behind lags of 60 and 7 ms, every 100 ms, to a pack that is not logged: closed form of three poles."""
    for first_s in np.arange(0.0, 0.1, 0.02):
        t = np.arange(first_s, 4.0, 0.1)
        volts = 36 + (91 - 36) * settled_fraction_three_pole(t - 1.2, 0.048, 0.06, 0.007)
        part = Part("dc_link_voltage", t, np.round(volts / 0.1) * 0.1, "V", "Link.Voltage", 0.1)
        found = findings_of(precharge, Signals({part.name: part}, 0.0, 4.0), _vehicle(48, 1e-3))
        assert [each.severity for each in found] == [Severity.INFO]


def test_a_link_that_is_back_at_once_has_not_been_charged() -> None:
    """A controller that boots reads 0 and 4 V on a link of 20 V: what charge it had it has still."""
    t = _stamps(0.02)
    volts = np.where(t < 1.2, 20.0, 20.0 + (PACK_V - 20.0) * settled_fraction(t - 1.2, 0.15))
    volts[[20, 21]] = 0.0, 4.0
    alone = {"dc_link_voltage": _signals(t, volts).parts["dc_link_voltage"]}
    (found,) = findings_of(precharge, Signals(alone, 0.0, float(t[-1])), _vehicle(150, 1e-3))
    assert found.start_s == pytest.approx(1.2, abs=0.03)


@pytest.mark.parametrize(("lag", "tau", "said"), [(0.05, 0.0001, True), (0.0, 0.4, False)])
def test_a_slow_curve_that_a_sensor_may_have_alone_is_treated_as_bypassed(lag: float, tau: float, said: bool) -> None:
    """A link that jumps past its resistor behind a lag of 50 ms shows one exponential, slower than R·C of 38 ms."""
    t = _stamps(0.01)
    found = _one(_signals(t, _charge(t, tau, lag or None)), _vehicle(38 if lag else 250, 1e-3))
    assert found.kind == "precharge.slow"
    assert ("treat it as bypassed" in found.next_step) is said


@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_a_burst_that_bears_two_stamps_is_one(seed: int) -> None:
    """Three messages of 5 ms at a time, on stamps of 1 ms: some bursts lie across a step of the grid."""
    rng = np.random.default_rng([67, seed])
    taken_s = np.arange(0.0, 3.0, 0.005)
    sent_s = taken_s[np.minimum(np.arange(600) // 3 * 3 + 2, 599)] + 3e-4 * (np.arange(600) % 3)
    stamps = np.round(sent_s + rng.uniform(-5e-4, 5e-4), 3)
    volts = np.round(_charge(taken_s, 0.05), 1)
    link = describe_link(
        Signals({"dc_link_voltage": Part("dc_link_voltage", stamps, volts, "V", "Link.Voltage", 0.1)}, 0.0, 3.0), None
    )
    assert last_of_bursts(link, np.arange(600)).size == pytest.approx(200, abs=1)
