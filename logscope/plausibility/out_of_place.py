"""Temperatures that stand where the way of the heat does not let them: from motor and inverter into the coolant.

Coolant is no hotter than both devices that heat it, and a heat sink falls back to its coolant whenever the motor takes
no current. Both hold after a hot restart as well, where nothing says what the surroundings are.
"""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.parts import part_name
from logscope.signals import Part, Signals

DEVICES, COOLANTS = ("motor_temperature", "inverter_temperature"), ("coolant_temperature", "coolant_temperature_out")
_MOSTLY_K, _ALWAYS_K = 20.0, 8.0  # coolant above its devices: their lag behind it is less (practice)
_SINK_K = 25.0  # of a heat sink that idles, above its coolant: less is left within a minute or two (practice)
_IDLE_A, _IDLES_S, _IDLE_READINGS = 5.0, 40.0, 10
_FEWEST, _LEAST_S, _LOW = 30, 60.0, 0.05
# How far from its place a reading may stand once it is mended: coolant beside its devices, a heat sink beside coolant.
PLACES_K = {"coolant": (-20.0, 4.0), "inverter_temperature": (-5.0, 15.0)}


def out_of_place(part: Part, signals: Signals) -> tuple[str, float, tuple[float, float]] | None:
    """Why a reading cannot be, what it should stand beside at its start [°C], and how far from it [K]; else None."""
    if part.time_s.size < _FEWEST or part.time_s[-1] - part.time_s[0] < _LEAST_S:
        return None
    if part.name in COOLANTS:
        beside = _highest(part, DEVICES, signals)
        above = part.value - beside
        above = above[np.isfinite(above)]
        if above.size < _FEWEST or np.median(above) < _MOSTLY_K or np.quantile(above, _LOW) < _ALWAYS_K:
            return None
        fact = f"it is {np.median(above):.0f} K hotter than motor and inverter, which heat it"
        return fact, _first(beside), PLACES_K["coolant"]
    if part.name != "inverter_temperature":
        return None
    beside, idle = _highest(part, COOLANTS, signals), _idle(part, signals)
    above = (part.value - beside)[idle & np.isfinite(beside)]
    if above.size < _IDLE_READINGS or float(above.min()) < _SINK_K:
        return None
    fact = f"it stays {above.min():.0f} K above the {part_name(COOLANTS[0])} while the motor takes no current"
    return fact, _first(beside), PLACES_K[part.name]


def _highest(part: Part, names: tuple[str, ...], signals: Signals) -> FloatArray:
    """The highest of other parts at a part's own readings; NaN where none is known."""
    others = [other.held_at(part.time_s) for name in names if (other := signals.get(name)) is not None]
    return np.fmax.reduce(others) if others else np.full(part.time_s.size, np.nan)


def _idle(part: Part, signals: Signals) -> np.ndarray:
    """Where the motor has taken no current for a while, at a part's own readings."""
    current = signals.get("motor_current")
    if current is None or current.time_s.size < _FEWEST:
        return np.zeros(part.time_s.size, np.bool_)
    loaded = current.time_s[np.abs(current.value) > _IDLE_A]
    count = np.searchsorted(loaded, part.time_s) - np.searchsorted(loaded, part.time_s - _IDLES_S)
    known = (part.time_s - _IDLES_S >= current.time_s[0]) & (part.time_s <= current.time_s[-1])
    return np.asarray(known & (count == 0))


def _first(value: FloatArray) -> float:
    known = value[np.isfinite(value)]
    return float(np.median(known[:5])) if known.size else float("nan")
