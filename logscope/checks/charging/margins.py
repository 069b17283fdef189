"""How near a charge came to the limits of pack, cells and charger, and which of them it passed beyond doubt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import median_filter

from logscope.observations.charging.sessions import Session
from logscope.signals import Part, Signals
from logscope.statistics.distributions import normal_quantile
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import between_samples, stretches
from logscope.vehicle import Vehicle

# What two sound meters of such a kind differ by (common practice, no published source): half a percent of a pack's
# voltage, 10 mV of a cell's, two percent of a current, 2 K of a temperature. Beyond it, a limit is passed for certain.
_VOLTS_SHARE, _CELL_V, _AMPS_SHARE, _LEAST_AMPS, _KELVIN = 0.005, 0.010, 0.02, 0.5, 2.0
_WATTS_SHARE = _VOLTS_SHARE + _AMPS_SHARE
_MEDIAN_ROWS = 3  # a lone reading is no passing
_LASTS_ROWS = 3  # readings in a row, or as many as a slow message has in…
_LASTS_S = 3.0
_BY_CHANCE = 0.025  # that noise takes any of the readings beyond a doubt, on one side of 95 % limits
_ONE_S = 5.0  # visits nearer than this are one: the value hovers
_LEAST_READINGS = 3
_NOT_AWAKE = 0.5  # of the limit: a voltage below half of it is a controller that has not woken


@dataclass(frozen=True, slots=True)
class Margin:
    """How near one limit was come.

    name : of the measured value; part, key : the part, and the key of the vehicle file; limit, unit; upper or lower
    left : smallest distance to it, below zero beyond; time_s : when; doubt : of the meter
    beyond : the stretches that are beyond limit and doubt, over : beyond the limit itself (from, until) [s]
    """

    name: str
    part: str
    key: str
    limit: float
    unit: str
    upper: bool
    left: float
    time_s: float
    doubt: float
    beyond: tuple[tuple[float, float], ...]
    over: tuple[tuple[float, float], ...]

    @property
    def passed(self) -> bool:
        """Whether it is passed beyond doubt."""
        return bool(self.beyond)

    @property
    def of_charger(self) -> bool:
        """Whether it is what the charger can give, and no limit of the battery."""
        return self.key.startswith("charger_")


def find_margins(session: Session, signals: Signals, vehicle: Vehicle) -> list[Margin]:
    """The margins to every limit that the vehicle file states and the log shows, over one session."""
    found = (_margin(session, signals, *row) for row in _limits(vehicle))
    return [margin for margin in found if margin is not None]


def _limits(vehicle: Vehicle) -> Iterator[tuple[str, str, str, float | None, str, bool, float]]:
    limits, charging = vehicle.limits, vehicle.charging
    rows: tuple[tuple[str, str, str, float | None, str, bool], ...] = (
        ("pack_voltage_margin", "battery_voltage", "battery_max_V", limits.battery_max_V, "V", True),
        ("cell_voltage_margin", "cell_voltage_highest", "cell_max_V", limits.cell_max_V, "V", True),
        ("charge_current_margin", "charger_current", "charge_current_A", limits.charge_current_A, "A", True),
        ("charger_current_margin", "charger_current", "charger_max_current_A", charging.charger_max_current_A, "A",
         True),
        ("charger_power_margin", "charger_current", "charger_max_power_W", charging.charger_max_power_W, "W", True),
        ("charger_voltage_margin", "charger_voltage", "charger_max_V", charging.charger_max_V, "V", True),
        ("battery_temperature_margin", "battery_temperature_highest", "battery_temperature_max_C",
         limits.battery_temperature_max_C, "°C", True),
        ("battery_cold_margin", "battery_temperature_lowest", "battery_temperature_min_C",
         limits.battery_temperature_min_C, "°C", False),
    )  # fmt: skip
    for row in rows:
        limit = row[3] or 0.0
        doubts = {
            "A": max(_AMPS_SHARE * limit, _LEAST_AMPS), "°C": _KELVIN, "V": _VOLTS_SHARE * limit,
            "W": _WATTS_SHARE * limit,
        }  # fmt: skip
        doubt = doubts[row[4]]
        yield *row, (_CELL_V if row[1].startswith("cell_") else doubt)


def _margin(
    session: Session, signals: Signals, name: str, of: str, key: str, limit: float | None, unit: str, upper: bool,
    doubt: float,
) -> Margin | None:  # fmt: skip
    part = None if limit is None else _given_power(session) if unit == "W" else signals.get(of)
    if part is None or limit is None:
        return None
    rows = part.between(session.start_s, session.end_s)
    time_s, value = part.time_s[rows], part.value[rows]
    if unit != "°C":
        awake = value > _NOT_AWAKE * limit if unit == "V" else value > 0.0
        time_s, value = time_s[awake], value[awake]
    if value.size < _LEAST_READINGS:
        return None
    calm = np.asarray(median_filter(value, _MEDIAN_ROWS, mode="nearest"))
    left = limit - calm if upper else calm - limit
    worst = int(np.argmin(left))
    noise = float(np.nan_to_num(noise_floor(value, quantum=part.step or 0.0)))
    reach = normal_quantile(1.0 - _BY_CHANCE / value.size)  # by noise alone the worst of so many is farther out
    doubt += reach * noise / float(np.sqrt(_MEDIAN_ROWS)) + (part.step or 0.0) / 2.0
    spans = _lasting(part, time_s, left < -doubt)
    shown = "K" if unit == "°C" else unit
    past = np.flatnonzero((limit - value if upper else value - limit) < 0)
    over = ((float(time_s[past[0]]), float(time_s[past[-1]])),) if past.size else ()
    return Margin(
        f"{name}_{shown}", of, key, limit, unit, upper, float(left[worst]), float(time_s[worst]), doubt, spans, over
    )


def _given_power(session: Session) -> Part | None:
    """What the charger gives at each reading of its current [W]; None where its voltage or current is not logged."""
    part, voltage = session.current.part, session.voltage
    if voltage is None or not session.current.of_charger or voltage.time_s.size < _LEAST_READINGS:
        return None
    volts = between_samples(voltage.time_s, voltage.value, part.time_s)
    known = np.isfinite(volts)
    step = None if part.step is None or not known.any() else part.step * float(np.median(volts[known]))
    return replace(part, value=np.where(known, part.value * volts, np.nan), step=step).where(known)


def _lasting(part: Part, time_s: np.ndarray, beyond: np.ndarray) -> tuple[tuple[float, float], ...]:
    """The stretches of several readings; of a slow message fewer must do."""
    spacing_s = float(np.nan_to_num(part.spacing_s, nan=_LASTS_S))
    first, last = stretches(beyond, time_s, max(_ONE_S, 2 * spacing_s))
    least = max(min(_LASTS_ROWS, round(_LASTS_S / max(spacing_s, 1e-3))), 2)
    return tuple(
        (float(time_s[a]), float(time_s[b]))
        for a, b in zip(first, last, strict=True)
        if beyond[a : b + 1].sum() >= least
    )
