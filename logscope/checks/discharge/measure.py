"""Measure one opening: the curve of the fall, and when it passed or will pass 60 V."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.checks.discharge.fit import FallFit, Shape, fit_fall
from logscope.checks.estimate import Estimate
from logscope.checks.link import Link, pack_voltage
from logscope.checks.openings import Opening
from logscope.checks.precharge.compare import SETTLED_SHARE
from logscope.findings import FloatArray
from logscope.physics.discharge import SAFE_V
from logscope.signals import Signals

# The fit ends at a tenth of the start: below it a sensor's offset weighs more than the curve (common practice).
_FIT_DOWN_TO = 0.1
_BESIDE_RESTART = 2  # samples left out before the link is charged again, for its onset is known to a sample or two
_CLEAR_OF_NOISE = 3.0  # standard deviations by which a reading is surely on one side of 60 V


@dataclass(frozen=True, slots=True, eq=False)
class Fall:
    """What is known of the link after one opening.

    opening : with its bracket narrowed where the curve, carried back to the level before, does that
    level_v : just before the opening, or the first level that the log shows; end_v : last level; pack_v : pack by then
    fit : of the whole fall; late : of what is extrapolated from, the second half where one curve does not fit all
    time_to_safe : from the opening to 60 V [s]; None where the samples are too few
    crossed : whether the log shows the crossing, so that nothing is extrapolated
    length_s : how long the log shows the link apart
    still : whether no reading differs from another
    """

    opening: Opening
    level_v: float
    end_v: float
    pack_v: float | None
    fit: FallFit | None
    late: FallFit | None
    time_to_safe: Estimate | None
    crossed: bool
    length_s: float
    still: bool


def measure_fall(signals: Signals, link: Link, opening: Opening) -> Fall | None:
    """Cut the fall out of the log, fit it, and time it; None where no sample shows the link apart."""
    inside = link.part.between(opening.start_s, opening.end_s)
    last = inside.stop - (_BESIDE_RESTART if opening.restarted else 0)
    time_s, volts = link.part.time_s[inside.start : last], link.part.value[inside.start : last]
    if not volts.size:
        return None
    first_v = float(np.median(volts[:3]))
    low = np.flatnonzero(volts < _FIT_DOWN_TO * first_v)
    kept = slice(0, int(low[0]) if low.size else volts.size)
    fit = fit_fall(time_s[kept], volts[kept], link.step_v, link.noise_v)
    level_v = opening.level_v if opening.level_v is not None else (fit.start.value if fit else first_v)
    opening = _narrowed(opening, link, fit)
    late = fit
    if fit is not None and (fit.misfit or not _at_rest(fit, volts)):
        half = slice(kept.stop // 2, kept.stop)
        late = fit_fall(time_s[half], volts[half], link.step_v, link.noise_v) or fit
    crossing = _seen_crossing(time_s, volts, link.noise_v + link.step_v / 2)
    return Fall(
        opening=opening,
        level_v=level_v,
        end_v=float(np.median(volts[-5:])),
        pack_v=pack_voltage(signals, opening.start_s, opening.end_s) or pack_voltage(signals, -np.inf, np.inf),
        fit=fit,
        late=late,
        time_to_safe=_time_to_safe(opening, fit, late, crossing, first_v),
        crossed=crossing is not None,
        length_s=float(time_s[-1] - opening.low_s),
        still=volts.size > 1 and float(np.ptp(volts)) == 0.0,
    )


def _at_rest(fit: FallFit, volts: FloatArray) -> bool:
    """Whether a link that heads for a level of its own has come to rest there; true of one that heads for 0 V."""
    if fit.rest is None:
        return True
    left_v = float(np.median(volts[-5:])) - fit.rest.value
    return left_v <= (1 - SETTLED_SHARE) * (fit.start.value - fit.rest.value)


def _narrowed(opening: Opening, link: Link, fit: FallFit | None) -> Opening:
    """An opening that no state tells happened where the curve, carried back, meets the level before."""
    if opening.told_by != "dc_link_voltage" or fit is None or not fit.falls or opening.level_v is None:
        return opening
    at = fit.opening(opening.level_v, opening.level_spread_v + 3 * link.noise_v + link.step_v)
    low_s, high_s = (float(np.clip(t, opening.low_s, opening.high_s)) for t in (at.low, at.high))
    return replace(opening, low_s=low_s, high_s=high_s)


def _seen_crossing(time_s: FloatArray, volts: FloatArray, noise_v: float) -> tuple[float, float] | None:
    """The last time surely above 60 V and the first surely at or below it; None where the log shows no crossing."""
    clear = _CLEAR_OF_NOISE * noise_v
    below = np.flatnonzero(volts <= SAFE_V - clear)
    if not below.size or volts[0] <= SAFE_V:
        return None
    above = np.flatnonzero(volts[: below[0]] >= SAFE_V + clear)
    return (float(time_s[above[-1]]) if above.size else float(time_s[0])), float(time_s[below[0]])


def _time_to_safe(
    opening: Opening, fit: FallFit | None, late: FallFit | None, crossing: tuple[float, float] | None, first_v: float
) -> Estimate | None:
    if crossing is not None:
        if fit is not None and not fit.misfit and fit.falls and fit.shape is not Shape.RESTING:
            return fit.crossing_from(opening.low_s, opening.high_s)
        low, high = max(crossing[0] - opening.high_s, 0.0), crossing[1] - opening.low_s
        return Estimate((low + high) / 2, low, high, low, high)
    if max(opening.level_v or 0.0, first_v) <= SAFE_V:
        return Estimate(0.0, 0.0, 0.0, 0.0, 0.0)
    return late.crossing_from(opening.low_s, opening.high_s) if late is not None else None
