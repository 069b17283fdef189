"""Contactors that do not open: the link follows the pack after the states say that no path joins them."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.contactors.switching_history import SwitchingHistory, load_level, make_finding
from logscope.checks.contactors.text import name_of, perhaps_welded_words, welded_words
from logscope.curves.discharge import DischargeFit, Readings, fit_discharge
from logscope.findings import Event, Finding, Measured, Severity
from logscope.observations.dc_link.link import PACK_MISMATCH, Link, pack_voltage
from logscope.observations.dc_link.openings import HELD_SHARE, Opening
from logscope.physics.discharge import REFERENCE_ACTIVE_S, SAFE_V
from logscope.signals import Part
from logscope.statistics.distributions import correlation_chance
from logscope.statistics.robust import noise_floor

# Two voltages that move together this closely, with odds of chance below 1 in 1000, are one voltage.
LEAST_CORRELATION = 0.8
_CHANCE = 1e-3
_LEAST_POINTS = 10
_PACK_MOVES = 3.0  # times its noise: a pack that stands still says nothing
_ARITHMETIC = 1e-9  # of a voltage: what taking a trend off leaves of readings that stand still
_LEAST_APART_S = 0.5  # shorter openings are dropouts or chatter
_PACK_BEFORE_S = 1.0  # in which the pack's level before an opening is read
_ENDS = 3  # samples at either end, whose medians tell a fall
# A pack that rests after a load rises; after charging it falls by less than this in minutes (common practice).
_REST_FALL = 0.01


@dataclass(frozen=True, slots=True)
class _Stuck:
    """An opening after which the link stays with the pack, and what shows that they are still joined."""

    opening: Opening
    level_v: float
    seen_fall_v: float
    expected_fall_v: float | None
    correlation: float | None
    current: Measured | None
    reasons: tuple[str, ...]

    @property
    def seen_s(self) -> float:
        return self.opening.end_s - self.opening.start_s


def welded(history: SwitchingHistory) -> list[Finding]:
    """One finding for each opening that did not part link and pack, and one for those that cannot be determined."""
    stuck = [found for opening in history.openings if (found := _stuck(history, opening)) is not None]
    unclear = [one for one in stuck if not one.reasons]
    return [_finding(history, one) for one in stuck if one.reasons] + ([_open(history, unclear)] if unclear else [])


def _stuck(history: SwitchingHistory, opening: Opening) -> _Stuck | None:
    link, pack_v = history.link, _pack_level(history, opening)
    if link is None or pack_v is None or (not opening.by_state and opening.shown_by):
        return None
    if opening.end_s - opening.start_s < _LEAST_APART_S:
        return None
    inside = link.part.between(opening.start_s, opening.end_s)
    time_s, volts = link.part.time_s[inside], link.part.value[inside]
    if volts.size < 2 or float(np.median(volts[-5:])) <= max(SAFE_V, pack_v * (1 - PACK_MISMATCH)):
        return None
    level_v = float(np.median(volts[:5]))
    fit = fit_discharge(time_s, volts, Readings(link.step_v, link.noise_v))
    correlation = _correlation(history.signals["battery_voltage"], link, opening)
    if correlation is None and fit is not None and _leaves(history, fit, opening, link):
        return None
    if _pack_falls_too(history, link, opening):
        correlation = None
    expected_s, seen_s = _slowest_s(history), float(time_s[-1] - time_s[0])
    expected_fall_v = level_v * (1 - exp(-seen_s / expected_s)) if expected_s else None
    current = _still_flows(history.signals.get("battery_current"), opening)
    reasons = []
    if correlation is not None:
        reasons.append(f"its voltage moves with the pack's (correlation {correlation:.2f})")
    if expected_s and fit is not None and fit.rate.claim_high < HELD_SHARE / expected_s:
        reasons.append(f"it does not fall, where its bleeder would have taken off at least {expected_fall_v:.1f} V")
    if opening.held_until and _falls_by_itself(history, opening):
        reasons.append(f"it falls only once the {name_of(opening.held_until)} opens")
    if current is not None:
        reasons.append(f"the pack still delivers {current.value:.0f} A")
    fall_v = level_v - float(np.median(volts[-5:]))
    return _Stuck(opening, level_v, fall_v, expected_fall_v, correlation, current, tuple(reasons))


def _pack_level(history: SwitchingHistory, opening: Opening) -> float | None:
    """The pack's voltage [V]: a reading behind a contactor dies with the link, so the one before counts as well."""
    levels = (
        pack_voltage(history.signals, opening.low_s - _PACK_BEFORE_S, opening.low_s),
        pack_voltage(history.signals, opening.start_s, opening.end_s),
    )
    return max((level for level in levels if level is not None), default=None)


def _pack_falls_too(history: SwitchingHistory, link: Link, opening: Opening) -> bool:
    """Whether the pack's reading falls away together with the link: no pack at rest does, so it is that of the link."""
    pack = history.signals["battery_voltage"]
    theirs = pack.value[pack.between(opening.start_s, opening.end_s)]
    ours = link.part.value[link.part.between(opening.start_s, opening.end_s)]
    if theirs.size < 2 * _ENDS or ours.size < 2 * _ENDS:
        return False
    fell, link_fell = (float(np.median(v[:_ENDS]) - np.median(v[-_ENDS:])) for v in (theirs, ours))
    alike = abs(fell - link_fell) <= PACK_MISMATCH * float(theirs.max()) and fell >= 0.5 * link_fell
    return alike and fell > _REST_FALL * float(theirs.max())


def _falls_by_itself(history: SwitchingHistory, held: Opening) -> bool:
    """Whether the fall after a second contactor's opening is too slow for an active discharge that begins with it."""
    parted = next((o for o in history.openings if o.shown_by == held.held_until and o.low_s >= held.end_s), None)
    if parted is None or history.link is None:
        return False
    inside = history.link.part.between(parted.start_s, parted.end_s)
    part = history.link.part
    fit = fit_discharge(part.time_s[inside], part.value[inside], Readings(history.link.step_v, history.link.noise_v))
    return fit is not None and fit.falls and fit.crossing().claim_low > REFERENCE_ACTIVE_S


def _leaves(history: SwitchingHistory, fit: DischargeFit, opening: Opening, link: Link) -> bool:
    """Whether the link falls beyond doubt while the pack does not fall with it."""
    if not fit.falls:
        return False
    pack = history.signals["battery_voltage"]
    volts = pack.value[pack.between(opening.start_s, opening.end_s)]
    pack_fall = float(np.median(volts[:3]) - np.median(volts[-3:])) if volts.size > 3 else 0.0
    ends = fit.voltage(np.array([opening.start_s, opening.end_s]))
    return float(ends[0] - ends[1]) - pack_fall > 2 * (3 * link.noise_v + link.step_v)


def _slowest_s(history: SwitchingHistory) -> float | None:
    """The bleeder's time constant at the slow end of its tolerance [s]."""
    capacitance, bleeder = history.vehicle.precharge.capacitance_uF, history.vehicle.dc_link.bleeder_ohm
    if capacitance is None or bleeder is None:
        return None
    return bleeder * capacitance * 1e-6 * (1 + history.vehicle.precharge.tolerance)


def _correlation(pack: Part, link: Link, opening: Opening) -> float | None:
    """Correlation of link and pack, trends taken off; None where the pack stands still or they do not move together."""
    slower, faster = (pack, link.part) if pack.period_s >= link.part.period_s else (link.part, pack)
    inside = slower.between(opening.start_s, opening.end_s)
    at, one = slower.time_s[inside], slower.value[inside]
    if at.size < _LEAST_POINTS:
        return None
    moved, other = _without_trend(at, one), _without_trend(at, np.interp(at, faster.time_s, faster.value))
    pack_moved = moved if slower is pack else other
    noise = max(noise_floor(pack.value), (pack.step or 0.0) / np.sqrt(12))
    still_v = _ARITHMETIC * float(np.abs(one).max())
    if float(np.std(pack_moved)) < _PACK_MOVES * noise or min(float(np.std(moved)), float(np.std(other))) <= still_v:
        return None
    found = float(np.corrcoef(moved, other)[0, 1])
    return found if found >= LEAST_CORRELATION and correlation_chance(found, at.size) < _CHANCE else None


def _without_trend(time_s: FloatArray, values: FloatArray) -> FloatArray:
    return np.asarray(values - np.polyval(np.polyfit(time_s - time_s[0], values, 1), time_s - time_s[0]))


def _still_flows(current: Part | None, opening: Opening) -> Measured | None:
    """The load current of the pack behind an opening [A]; None where there is none."""
    if current is None:
        return None
    amps = np.abs(current.value[current.between(opening.start_s, opening.end_s)])
    if amps.size < 3 or float(np.median(amps)) <= load_level(current):
        return None
    low, middle, high = np.quantile(amps, [0.025, 0.5, 0.975])
    return Measured(float(middle), "A", float(low), float(high))


def _measured(one: _Stuck) -> dict[str, Measured]:
    values = {
        "level_V": Measured(one.level_v, "V"),
        "seen_s": Measured(one.seen_s, "s"),
        "seen_fall_V": Measured(one.seen_fall_v, "V"),
        "correlation": Measured(one.correlation, "1"),
    }
    if one.expected_fall_v is not None:
        values["expected_fall_V"] = Measured(one.expected_fall_v, "V")
    if one.current is not None:
        values["current_A"] = one.current
    return values


def _finding(history: SwitchingHistory, one: _Stuck) -> Finding:
    only_decay = one.correlation is None and one.current is None
    return make_finding(
        history,
        "welded",
        Severity.DANGER,
        welded_words(one.level_v, one.seen_s, one.reasons, only_decay),
        events=(Event(one.opening.low_s, one.opening.end_s),),
        measured=_measured(one),
        leading="dc_link_voltage",
    )


def _open(history: SwitchingHistory, unclear: list[_Stuck]) -> Finding:
    longest = max(one.seen_s for one in unclear)
    slowest = _slowest_s(history)
    wanted_s = None if slowest is None else slowest * log(1 / (1 - 2 * PACK_MISMATCH))
    return make_finding(
        history,
        "undetermined",
        Severity.INFO,
        perhaps_welded_words(len(unclear), longest, wanted_s),
        events=tuple(Event(one.opening.low_s, one.opening.end_s) for one in unclear),
        measured={"seen_s": Measured(longest, "s")},
        leading="dc_link_voltage",
    )
