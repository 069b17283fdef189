"""The values that a precharge finding states, each with its limits."""

from __future__ import annotations

from collections.abc import Mapping

from logscope.checks.precharge.judge import Judged
from logscope.checks.precharge.measure import Measurement
from logscope.curves.rise import CurveFit
from logscope.curves.rise_shapes import Shape
from logscope.findings import Measured
from logscope.physics.rc import LOOP_H, LOOP_OHM, inrush_peak_a
from logscope.vehicle import Vehicle

# Where the vehicle file gives none: the middle of what inverters carry (common practice, no published source).
_ASSUMED_CAPACITANCE_F = 1e-3
# Pack and link sensors differ by a percent or two (common practice): a link that ends above this is not held down.
# Where the contactor closes in view, the link's own sensor shows both levels: only its rounding and noise are left.
LEAST_LOADED_FRACTION = 0.97
_OWN_LOADED_FRACTION = 0.99


def measured_values(judged: Judged, vehicle: Vehicle) -> Mapping[str, Measured]:
    m, fit, constant = judged.measurement, judged.curve, judged.constant
    values: dict[str, Measured] = {"time_constant_s": Measured(None, "s", None, judged.bound_s)}
    if constant is not None:
        if constant.time_constant is not None:
            tau = constant.time_constant
            # A link as expected behind a lag would be faster than the curve that is seen, by what no sample shows.
            value, lowest = (None, None) if constant.or_lag else (tau.value, tau.low)
            values["time_constant_s"] = Measured(value, "s", lowest, tau.high)
        elif constant.both is not None:
            slower, faster = constant.both
            low = None if fit is not None and fit.third else faster.low
            values["time_constant_s"] = Measured(None, "s", low, slower.high)
            values["slower_constant_s"] = Measured(slower.value, "s", slower.low, slower.high)
            values["faster_constant_s"] = Measured(faster.value, "s", faster.low, faster.high)
        if constant.lag is not None:
            values["sensing_lag_s"] = Measured(constant.lag.value, "s", constant.lag.low, constant.lag.high)
    if fit is not None:
        values["start_voltage_V"] = Measured(fit.start.value, "V", fit.start.low, fit.start.high)
        values["end_voltage_V"] = Measured(fit.end.value, "V", fit.end.low, fit.end.high)
        threshold_v = judged.close_fraction * (m.pack_v or fit.end.value)
        crossing = fit.crossing(threshold_v)
        values["time_to_threshold_s"] = (
            Measured(crossing.value, "s", crossing.low, crossing.high) if crossing else Measured(None, "s")
        )
        values["fit_residual_V"] = Measured(fit.residual_v, "V")
        if fit.heating is not None:
            grown = fit.heating
            values["resistor_growth_percent"] = Measured(100 * grown.value, "%", 100 * grown.low, 100 * grown.high)
    else:
        values["start_voltage_V"] = Measured(m.start_v, "V")
        values["end_voltage_V"] = Measured(m.reached_v, "V")
        values["time_to_threshold_s"] = Measured(None, "s")
    if m.pack_v:
        values["fraction_reached"] = Measured(m.reached_v / m.pack_v, "1")
        if judged.kind != "interrupted":  # where a relay stopped the rise, its end says nothing of a load
            values |= _parallel_load(m, vehicle)
    elif judged.kind == "stalled" and vehicle.limits.battery_min_V:  # no pack holds less than the emptiest
        values["fraction_reached"] = Measured(None, "1", None, m.reached_v / vehicle.limits.battery_min_V)
    values |= _implied_resistance(judged, vehicle)
    if m.missing_s:
        values["missing_s"] = Measured(m.missing_s, "s")
    values |= _closing_values(m, vehicle)
    if judged.kind == "bypassed":
        values["step_V"] = Measured(m.reached_v - m.start_v, "V")
    return values


def _implied_resistance(judged: Judged, vehicle: Vehicle) -> dict[str, Measured]:
    """The resistance that a constant which is off implies, where the capacitance is as the vehicle file says."""
    tau, ohm = judged.constant.time_constant if judged.constant else None, vehicle.precharge.resistance_ohm
    if judged.factor is None or tau is None or ohm is None or not judged.expected_s:
        return {}
    value, low, high = (ohm * constant_s / judged.expected_s for constant_s in (tau.value, tau.low, tau.high))
    return {"implied_resistance_ohm": Measured(value, "ohm", low, high)}


def _parallel_load(m: Measurement, vehicle: Vehicle) -> dict[str, Measured]:
    """What holds the link below the pack: at a fraction f of its V, Rp = R·f/(1 − f) and P = f·(1 − f)·V²/R."""
    resistance = vehicle.precharge.resistance_ohm
    if resistance is None or m.fit is None or not m.pack_v or not m.settled:
        return {}
    if m.fit.shape is Shape.CONSTANT_POWER:
        return _constant_power(m.fit, resistance)
    shown_v = m.closing.level_v if m.closing is not None else None
    full_v, most = (m.pack_v, LEAST_LOADED_FRACTION) if shown_v is None else (shown_v, _OWN_LOADED_FRACTION)
    low, value, high = (volts / full_v for volts in (m.fit.end.low, m.fit.end.value, m.fit.end.high))
    if low <= 0 or high >= most:
        return {}
    ohms = [resistance * share / (1 - share) for share in (value, low, high)]
    watts = [share * (1 - share) * full_v**2 / resistance for share in (value, low, high)]
    return {
        "parallel_load_ohm": Measured(ohms[0], "ohm", ohms[1], ohms[2]),
        "load_power_W": Measured(watts[0], "W", min(watts), max(watts)),
    }


def _constant_power(fit: CurveFit, resistance_ohm: float) -> dict[str, Measured]:
    """The power of the load that started on the way: P = k·V∞²/R."""
    if fit.load is None:
        return {}
    watts = [k * fit.end.value**2 / resistance_ohm for k in (fit.load.value, fit.load.low, fit.load.high)]
    return {"load_power_W": Measured(watts[0], "W", watts[1], watts[2])}


def _closing_values(m: Measurement, vehicle: Vehicle) -> dict[str, Measured]:
    closing = m.closing
    if closing is None or not m.pack or not m.pack.volts:
        return {"fraction_at_close": Measured(None, "1"), "close_difference_V": Measured(None, "V")}
    low, high = closing.low_v, closing.high_v
    middle = (low + high) / 2
    pack_v, least_v, most_v = m.pack.volts, m.pack.volts - m.pack.within_v, m.pack.volts + m.pack.within_v
    capacitance_f = (vehicle.precharge.capacitance_uF or _ASSUMED_CAPACITANCE_F * 1e6) * 1e-6
    worst_v = max(most_v - low, 0.0)
    return {
        "fraction_at_close": Measured(middle / pack_v, "1", low / most_v, high / max(least_v, middle)),
        "close_difference_V": Measured(pack_v - middle, "V", least_v - high, most_v - low),
        "inrush_bound_A": Measured(inrush_peak_a(worst_v, LOOP_OHM, LOOP_H, capacitance_f), "A"),
    }


def expected_values(judged: Judged, vehicle: Vehicle) -> Mapping[str, Measured]:
    expected: dict[str, Measured] = {}
    if judged.expected_s is not None:
        low, high = judged.expected_s * (1 - judged.tolerance), judged.expected_s * (1 + judged.tolerance)
        expected["time_constant_s"] = Measured(judged.expected_s, "s", low, high)
    if judged.measurement.pack_v:
        expected["fraction_at_close"] = Measured(None, "1", judged.close_fraction, None)
        expected["end_voltage_V"] = Measured(judged.measurement.pack_v, "V")
    if (rated := vehicle.precharge.resistor_energy_J) is not None:
        expected["resistor_energy_J"] = Measured(None, "J", None, rated)
    return expected
