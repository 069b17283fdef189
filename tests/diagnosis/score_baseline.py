"""What a notebook of general tools finds: one exponential, a Hampel filter, the first edge of the fault.

It stands beside the checks in the score, so that every figure can be seen against what is to be had without
them. It uses the flags where there are any, and the same vehicle file.
"""

from __future__ import annotations

import warnings

import numpy as np
from scipy.ndimage import median_filter
from scipy.optimize import OptimizeWarning, curve_fit

from logscope.findings import Event, Finding, Measured, Severity
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_RISE_V = 5.0  # over its start: the link charges
_LEVEL = 0.02  # of the pack over one nominal time constant: the link no longer rises
_LAG_S = 0.2  # by which a contactor's state may come late
_SETTLED = 0.98  # of the highest voltage: charged, where no contactor state is logged
_HALF_WINDOW, _SIGMAS, _TO_SIGMA = 3, 3.0, 1.4826  # usual settings of a Hampel filter (Pearson 2002, from memory)
_LEAD_S = 0.1
_SEVERITY = {"complete": Severity.GOOD, "slow": Severity.WARNING, "fast": Severity.WARNING}


def baseline(signals: Signals, vehicle: Vehicle) -> list[Finding]:
    """Findings in the words of the checks."""
    disturbed = _hampel(signals.get("motor_speed"))
    return [*_precharges(signals, vehicle), *_speed(signals, disturbed), *_first_fault(signals, disturbed)]


def _finding(kind: str, severity: Severity, start_s: float, end_s: float, **more: object) -> Finding:
    return Finding(kind, severity, start_s, end_s, "", "", "", (), **more)  # type: ignore[arg-type]


def _precharges(signals: Signals, vehicle: Vehicle) -> list[Finding]:
    link = signals.get("dc_link_voltage")
    if link is None:
        return []
    return [f for span in _charging(signals, link) for f in _precharge(signals, vehicle, link, *span)]


def _charging(signals: Signals, link: Part) -> list[tuple[float, float]]:
    """From relay on to contactor on or relay off; without states, one rise from the start to 98 % of the top."""
    relay, contactor = signals.get("precharge_relay"), signals.get("main_contactor")
    if relay is None or relay.on is None or contactor is None or contactor.on is None:
        above = np.flatnonzero(link.value > link.value[:10].mean() + _RISE_V)
        if not above.size:
            return []
        top = np.flatnonzero(link.value >= _SETTLED * link.value.max())
        return [(float(link.time_s[max(above[0] - 1, 0)]), float(link.time_s[max(top[0], above[0])]))]
    edges = np.flatnonzero(np.diff(relay.on.astype(int)) > 0) + 1
    spans = []
    for edge in edges:
        off = np.flatnonzero(~relay.on[edge:])
        ends = [float(relay.time_s[edge + off[0]]) if off.size else signals.end_s]
        closed = (contactor.time_s > relay.time_s[edge]) & contactor.on
        ends += contactor.time_s[closed][:1].tolist()
        spans.append((float(relay.time_s[edge]), min(ends)))
    return spans


def _precharge(signals: Signals, vehicle: Vehicle, link: Part, start_s: float, end_s: float) -> list[Finding]:
    inside = link.between(start_s, end_s)
    t, v = link.time_s[inside], link.value[inside]
    nominal = vehicle.precharge.time_constant_s
    if v.size < 2 or nominal is None:
        return []
    pack = signals.get("battery_voltage")
    full = float(np.median(pack.value[pack.value > 0])) if pack is not None else float(link.value.max())
    measured = {"time_constant_s": _one_exponential(t, v, nominal)}
    tau = measured["time_constant_s"].value
    kind = "complete"
    if v.max() - v[0] < _RISE_V:
        kind = "no_rise"
    elif v[-1] < vehicle.precharge.close_fraction * full:
        before = v[t < t[-1] - nominal]
        still = before.size > 0 and v[-1] - before[-1] < _LEVEL * full
        kind = "closed_early" if _closes(signals, end_s) else "stalled" if still else "interrupted"
    elif tau is not None:
        ratio, band = tau / nominal, vehicle.precharge.tolerance
        kind = "bypassed" if ratio < 0.05 else "slow" if ratio > 1 + band else "fast" if ratio < 1 - band else kind
    return [_finding(f"precharge.{kind}", _SEVERITY.get(kind, Severity.DANGER), start_s, end_s, measured=measured)]


def _closes(signals: Signals, at_s: float) -> bool:
    contactor = signals.get("main_contactor")
    return contactor is not None and bool(contactor.value[contactor.between(at_s, at_s + _LAG_S)].any())


def _one_exponential(t: np.ndarray, v: np.ndarray, nominal_s: float) -> Measured:
    """`scipy.optimize.curve_fit` and 1.96 of its standard deviations."""

    def curve(x: np.ndarray, v0: float, v1: float, tau: float) -> np.ndarray:
        return v1 - (v1 - v0) * np.exp(-np.clip((x - t[0]) / tau, -50, 50))

    with warnings.catch_warnings():
        warnings.simplefilter("error", OptimizeWarning)
        try:
            fitted, covariance = curve_fit(curve, t, v, p0=[v[0], v[-1], nominal_s], maxfev=2000)
        except (RuntimeError, OptimizeWarning, TypeError, ValueError):
            return Measured(None, "s")
    spread = 1.96 * float(np.sqrt(covariance[2, 2]))
    tau = float(fitted[2])
    if not np.isfinite(spread):
        return Measured(tau, "s")
    return Measured(tau, "s", tau - spread, tau + spread)


def _hampel(speed: Part | None) -> np.ndarray:
    """Times of the samples that are outliers to the median of their neighbours, as indices and values."""
    if speed is None or speed.value.size < 2 * _HALF_WINDOW + 1:
        return np.empty((0, 3))
    window = 2 * _HALF_WINDOW + 1
    middle = median_filter(speed.value, window, mode="nearest")
    away = np.abs(speed.value - middle)
    scatter = _TO_SIGMA * median_filter(away, window, mode="nearest")
    out = np.flatnonzero(away > np.maximum(_SIGMAS * scatter, speed.step or 0.0))
    return np.column_stack((speed.time_s[out], speed.value[out], middle[out]))


def _speed(signals: Signals, disturbed: np.ndarray) -> list[Finding]:
    """Outliers closer than 0.1 s are one disturbance, named by what they read."""
    if not disturbed.size:
        return []
    by_kind: dict[str, list[Event]] = {}
    for rows in np.split(disturbed, np.flatnonzero(np.diff(disturbed[:, 0]) > _LEAD_S) + 1):
        times, values, middles = rows.T
        kind = "spike" if len(rows) <= 3 else "burst"
        kind = "dropout" if (values == 0).all() else "reversal" if (values * middles < 0).all() else kind
        by_kind.setdefault(kind, []).append(Event(float(times[0]), float(times[-1])))
    return [
        _finding(f"encoder.{kind}", Severity.WARNING, events[0].start_s, events[-1].end_s, events=tuple(events))
        for kind, events in by_kind.items()
    ]


def _first_fault(signals: Signals, disturbed: np.ndarray) -> list[Finding]:
    """The first edge of the fault only; an outlier of the speed just before it is taken as the cause."""
    fault = signals.get("fault")
    if fault is None or fault.healthy is None or fault.overcurrent is None or fault.healthy.all():
        return []
    first = int(np.argmin(fault.healthy))
    at_s = float(fault.time_s[first])
    if not fault.overcurrent[first]:
        return [_finding("trip.other", Severity.DANGER, at_s, at_s)]
    before = bool(((disturbed[:, 0] >= at_s - _LEAD_S) & (disturbed[:, 0] <= at_s)).any()) if disturbed.size else False
    return [_finding("trip.overcurrent", Severity.DANGER, at_s, at_s, cause="encoder" if before else "undetermined")]
