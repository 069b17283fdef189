"""Ties between readings that follow each other: a value and its target, two tracks of one pedal."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from logscope.plausibility.paired import common_moments, kept_ratio, known_at, lag_allowance_s, steady_at
from logscope.plausibility.ties import Tie
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_PAIRS = (
    ("torque", "torque_target", "the torque target"),
    ("motor_current", "motor_current_target", "the motor current target"),
    ("throttle", "throttle_second", "the second track of the pedal"),
)
_APART = 1.3  # what lies nearer is left to the checks of loop, pedal and charger
_HIGH = 0.2  # of a reading's own highest level: lower, offsets and noise weigh too much
_MOST = 0.5
_EVER_AGREED = 0.05
_MIN_MOMENTS, _STEPS_HIGH = 8, 10.0  # fewer samples, or lower steps of the definition, say nothing of a ratio
# The charger's current over what is asked, which it may fall short of, and over what the battery takes, which is less
# by the auxiliaries (practice).
_OF_ASKED, _OF_TAKEN = (0.2, 1.4), (0.67, 1.5)
_VARIED = 1.3  # by this factor the reading must have changed while the ratio held


def target_ties(signals: Signals, vehicle: Vehicle) -> Iterator[Tie]:
    """What values and their targets demand of each other."""
    for name, other, reading in _PAIRS:
        first, second = signals.get(name), signals.get(other)
        if first is not None and second is not None:
            yield from _follows(first, second, reading)
    yield from _charging(signals)


def _follows(first: Part, second: Part, reading: str) -> Iterator[Tie]:
    at_s, around_s = common_moments(first, second), lag_allowance_s(first, second)
    one, steady_one = steady_at(first, at_s, around_s)
    other, steady_other = steady_at(second, at_s, around_s)
    high = (np.abs(one) > _HIGH * _top(first)) & (np.abs(other) > _HIGH * _top(second))
    kept = kept_ratio(at_s, one, other, steady_one & steady_other & high)
    if kept is None:
        return
    agreed = kept.agree >= _EVER_AGREED
    if not agreed and (kept.share < _MOST or kept.span < _VARIED):
        return
    ratio, low, high_end = (1.0, 1.0, 1.0) if agreed else (kept.ratio, kept.low, kept.high)
    yield Tie(
        {first.name: 1, second.name: -1}, ratio, low, high_end, 1.0 / _APART, _APART,
        f"{kept.ratio:.3g} × {reading}", float(kept.at_s[0]), float(kept.at_s[-1]),
    )  # fmt: skip


def _charging(signals: Signals) -> Iterator[Tie]:
    """A charger gives what is asked or less, and the battery takes it, auxiliaries apart."""
    charger, asked, battery = (signals.get(n) for n in ("charger_current", "charger_current_target", "battery_current"))
    if charger is None:
        return
    delivering = np.abs(charger.value) > max(_HIGH * _top(charger), _STEPS_HIGH * (charger.step or 0.0))
    at_s = charger.time_s[delivering]
    if at_s.size < _MIN_MOMENTS:
        return
    given = charger.value[delivering]
    for other, (lowest, highest), what in (
        (asked, _OF_ASKED, "the requested current"),
        (battery, _OF_TAKEN, "the current into the battery"),
    ):
        if other is None:
            continue
        ratio = np.abs(given / np.where(other_value := known_at(other, at_s), other_value, np.nan))
        if np.count_nonzero(np.isfinite(ratio)) < _MIN_MOMENTS:
            continue
        low, middle, high = (float(q) for q in np.nanquantile(ratio, [0.2, 0.5, 0.8]))
        fact = f"{middle:.3g} × {what}"
        of = {"charger_current": 1, other.name: -1}
        yield Tie(of, middle, low, high, lowest, highest, fact, float(at_s[0]), float(at_s[-1]))


def _top(part: Part) -> float:
    return float(np.quantile(np.abs(part.value), 0.99))
