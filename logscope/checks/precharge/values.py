"""The values that a precharge finding states, each with its limits."""

from __future__ import annotations

from collections.abc import Mapping

from logscope.checks.precharge.curve_shapes import Shape
from logscope.checks.precharge.fit import CurveFit
from logscope.checks.precharge.judge import Judged
from logscope.checks.precharge.measure import Measurement
from logscope.findings import Measured
from logscope.physics.rc import LOOP_H, LOOP_OHM, inrush_peak_a
from logscope.vehicle import Vehicle

# Where the vehicle file gives none: the middle of what inverters carry (common practice, no published source).
_ASSUMED_CAPACITANCE_F = 1e-3
# Pack and link sensors differ by a percent or two (common practice): a link that ends above this is not held down.
LEAST_LOADED_FRACTION = 0.97


def measured_values(judged: Judged, vehicle: Vehicle) -> Mapping[str, Measured]:
    m, fit, constant = judged.measurement, judged.curve, judged.constant
    values: dict[str, Measured] = {"time_constant_s": Measured(None, "s", None, judged.bound_s)}
    if constant is not None:
        if constant.time_constant is not None:
            tau = constant.time_constant
            values["time_constant_s"] = Measured(tau.value, "s", tau.low, tau.high)
        elif constant.both is not None:
            slower, faster = constant.both
            values["time_constant_s"] = Measured(None, "s", faster.low, slower.high)
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
        values |= _parallel_load(m, vehicle)
    values |= _closing_values(m, vehicle)
    if judged.kind == "bypassed":
        values["step_V"] = Measured(m.reached_v - m.start_v, "V")
    return values


def _parallel_load(m: Measurement, vehicle: Vehicle) -> dict[str, Measured]:
    """What holds the link below the pack, as a resistance: Rp = R·f/(1 − f) at the fraction f of the pack."""
    resistance = vehicle.precharge.resistance_ohm
    if resistance is None or m.fit is None or not m.pack_v or not m.settled:
        return {}
    if m.fit.shape is Shape.CONSTANT_POWER:
        return _constant_power(m.fit, resistance)
    low, value, high = (volts / m.pack_v for volts in (m.fit.end.low, m.fit.end.value, m.fit.end.high))
    if low <= 0 or high >= LEAST_LOADED_FRACTION:
        return {}
    ohms = [resistance * share / (1 - share) for share in (value, low, high)]
    return {"parallel_load_ohm": Measured(ohms[0], "ohm", ohms[1], ohms[2])}


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
