"""The link's voltage at the moment when the contactor closed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from logscope.checks.precharge.breakpoint import BREAK_NOISE, Break
from logscope.checks.precharge.lagged_closing import Settling
from logscope.curves.behind_lag import LONGEST_LAG_S
from logscope.curves.rise import CurveFit
from logscope.observations.dc_link.flags import FLAG_LAG_S
from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.rises import Attempt
from logscope.statistics.robust import NORMAL_95


@dataclass(frozen=True, slots=True, eq=False)
class Closing:
    """The moment the contactor closed: between start_s and end_s, the link at low_v to high_v just before.

    low_v, high_v : from the beginning to the end of that time, with the 95 % limits of the curve there
    """

    start_s: float
    end_s: float
    low_v: float
    high_v: float
    step_v: float | None  # where the voltage shows the step
    level_v: float | None = None  # that it leads to


# Readings behind a settling that show where it leads, and for how many lags of the slowest sensing.
_LEAST_LATER, _SETTLED_LAGS = 3, 4.0


def closing_of(
    link: Link, attempt: Attempt, fit: CurveFit | None, broken: Break | None, settling: Settling | None
) -> Closing | None:
    """The closing, by whatever shows it: a settling behind a sensing lag, a break of the curve, or a state alone."""
    if settling is not None:
        return _settled(link, attempt, fit, settling)
    time_s, volts = link.part.time_s, link.part.value
    if broken is not None and (_is_step(link, attempt, fit, broken) or attempt.contactor_s is not None):
        last = attempt.onset + broken.last
        between = (float(time_s[last]), float(time_s[last + 1]))
        low, high = of_reading = _of_reading(link, float(volts[last]))
        if fit:  # the link was no lower than a reading of it, whatever the curve says
            low, high = (max(each) for each in zip(_between(link, fit, *between), (of_reading[0],) * 2, strict=True))
        stepped = _is_step(link, attempt, fit, broken)
        return Closing(*between, low, high, broken.step_v if stepped else None, broken.level_v if stepped else None)
    if attempt.contactor_s is None or attempt.contactor_after_s is None or fit is None:
        return None
    window = (attempt.contactor_after_s - FLAG_LAG_S, attempt.contactor_s)
    return Closing(*window, *_between(link, fit, *window), None)


def _between(link: Link, fit: CurveFit, start_s: float, end_s: float) -> tuple[float, float]:
    """The lowest and highest voltage of the curve between two stamps, each as early or late as stamps are here."""
    early_or_late = NORMAL_95 * link.jitter_s
    lows, highs = fit.voltage_limits(np.array([start_s - early_or_late, end_s + early_or_late]))
    return float(lows[0]), float(highs[1])


def _of_reading(link: Link, volts: float) -> tuple[float, float]:
    return volts - NORMAL_95 * link.noise_v, volts + NORMAL_95 * link.noise_v


def _settled(link: Link, attempt: Attempt, fit: CurveFit | None, settling: Settling) -> Closing | None:
    """The closing behind a sensing lag: at the link's own voltage, with either constant as its own."""
    settling = _no_higher_than_read(link, settling)
    step_v = _step(link, settling)
    if fit is None or (step_v is None and attempt.contactor_s is None):
        return None
    either = (False,) if fit.lag is None else (False, True)
    level_v = settling.level_v if step_v is not None else None
    return behind_lag(fit, Closing(settling.start_s, settling.end_s, np.nan, np.nan, step_v, level_v), either)


def _no_higher_than_read(link: Link, settling: Settling) -> Settling:
    """The settling with a level that the readings come to afterwards: from a few of its own it may be led too far.

    They are those of a time in which the slowest sensing settles to 2 %.
    """
    later = link.part.value[link.part.between(settling.end_s, settling.end_s + _SETTLED_LAGS * LONGEST_LAG_S)]
    if later.size < _LEAST_LATER:
        return settling
    return replace(settling, level_v=min(settling.level_v, float(np.max(later)) + NORMAL_95 * link.noise_v))


def _step(link: Link, settling: Settling) -> float | None:
    """From the link's own voltage to the level, where it stands out; a relay that drops out leaves none."""
    step = settling.level_v - settling.link_v
    surely = settling.level_v - settling.latest_v
    return step if settling.visible and surely >= BREAK_NOISE * link.noise_v else None


def behind_lag(fit: CurveFit, closing: Closing, faster: Sequence[bool]) -> Closing:
    """A closing with the link's own voltage then.

    faster : whether the link's constant is the faster of the two; both where it may be either
    """
    limits = [fit.link_voltage_limits(at_s, faster=k) for k in faster for at_s in (closing.start_s, closing.end_s)]
    return replace(closing, low_v=min(low for low, _ in limits), high_v=max(high for _, high in limits))


def _is_step(link: Link, attempt: Attempt, fit: CurveFit | None, broken: Break) -> bool:
    """Whether the level behind a break is above where the curve itself would have gone: a contactor closed.

    A relay that drops out also ends the curve in a level, but in one that the curve was just reaching.
    """
    if fit is None or not broken.visible:
        return broken.visible
    last = attempt.onset + broken.last
    behind = link.part.time_s[last + 1 : last + 3]  # the second too, for stamps jitter by up to a period
    return bool(broken.level_v > fit.voltage(behind).max() + BREAK_NOISE * link.noise_v)
