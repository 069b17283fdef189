"""Ties between the voltages of one circuit: link, second link, pack, charger, and the limits of the vehicle file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.plausibility.paired import Kept, common_moments, kept_ratio, lag_allowance_s, on_at, steady_at
from logscope.plausibility.slips import nearest_slip
from logscope.plausibility.ties import Tie, Unexplained
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_APART = 1.12  # two sensors of one voltage, one of them loaded or drifting (practice); slips begin at two
_LIVE = 0.3  # of a reading's own highest level: below, it is discharged, charging or not awake
_STEPS_HIGH = 10.0  # a level of fewer steps of the definition is rounding and residue
_MOST = 0.5  # of the moments: a ratio that holds for less is a stage of a precharge
_EVER_AGREED = 0.05  # of the moments: readings that agree as often are of one scale
_MIN_S = 2.0  # over which a ratio must be seen to hold
_CONTACTORS = ("main_contactor", "negative_contactor")
_DELIVERS = 0.9  # of the moments at which a charger's ratio holds
_TOGETHER, _SAG = 0.7, 0.004  # correlation of both readings' changes, of which the larger ones reach this share
_THROWN_UP = 4.0  # times the pack
_DECIMAL = (0.1, 0.01, 0.001)
_ANY = 1e-6  # of the pack: a link that precharges or stalls stands anywhere below it
_OFFSET_V = 5.0  # of a link voltage's sensor (common practice, no published source)
_HELD = 0.01  # change from the first to the last third of the time: a bleeder takes more within seconds (practice)
_CHARGING_A = 1.0  # a charger below this may be off
# Of the stated lowest and highest voltage: a pack deeply discharged or charged to the brim, and its sensor.
_PACK_LOWEST, _PACK_MOST = 0.6, 1.15


def voltage_ties(signals: Signals, vehicle: Vehicle) -> Iterator[Tie]:
    """What the voltages and the limits of the vehicle file demand of each other."""
    link, second, pack = (signals.get(n) for n in ("dc_link_voltage", "dc_link_voltage_second", "battery_voltage"))
    for reading in (link, second):
        if reading is not None and pack is not None:
            yield from _joined(reading, pack, signals)
    if link is not None and second is not None:
        yield from _same_link(link, second)
    charger, current = signals.get("charger_voltage"), signals.get("charger_current")
    if charger is not None and current is not None and pack is not None:
        yield from _charging(charger, current, pack)
    target = signals.get("charger_voltage_target")
    if target is not None and pack is not None and charger is not None and current is not None:
        yield from _asked(target, charger, current)
    if pack is not None:
        yield from _within_limits(pack, vehicle)
    if link is not None and vehicle.dc_link.max_voltage_V:
        yield from _below_maximum(link, vehicle.dc_link.max_voltage_V)


def _live(part: Part, value: FloatArray) -> BoolArray:
    top = float(np.quantile(np.abs(part.value), 0.99))
    return np.asarray((np.abs(value) > _LIVE * top) & (np.abs(value) > _STEPS_HIGH * (part.step or 0.0)))


def _ratio(first: Part, second: Part, states: Sequence[Part] = ()) -> Kept | None:
    """The ratio of two voltages while both are live and steady, and these states on; None where none holds for long."""
    at_s, around_s = common_moments(first, second), lag_allowance_s(first, second, *states)
    one, steady_one = steady_at(first, at_s, around_s)
    other, steady_other = steady_at(second, at_s, around_s)
    use = steady_one & steady_other & _live(first, one) & _live(second, other)
    for state in states:
        use &= on_at(state, at_s - around_s) & on_at(state, at_s + around_s)
    kept = kept_ratio(at_s, one, other, use)
    return kept if kept is not None and kept.at_s[-1] - kept.at_s[0] >= _MIN_S else None


def _joined(link: Part, pack: Part, signals: Signals) -> Iterator[Tie]:
    """A link that contactors join to the pack is at its voltage; where no state is logged, their motion shows it."""
    closed = [part for name in _CONTACTORS if (part := signals.get(name)) is not None and part.on is not None]
    of = {link.name: 1, "battery_voltage": -1}
    kept = _ratio(link, pack, closed) if "main_contactor" in signals else None
    if kept is not None and (kept.agree >= _EVER_AGREED or kept.share >= _MOST):
        yield _tie(of, kept, "the pack voltage while the contactors are closed")
        return
    kept = _ratio(link, pack)
    if kept is not None and (kept.agree >= _EVER_AGREED or _move_together(link, pack, kept.at_s)):
        yield _tie(of, kept, "the pack voltage, with which it rises and sags", Unexplained.NOTHING)
    elif kept is not None and kept.share >= _MOST and not _reads_open(signals, kept) and _held_up(link, kept):
        tie = _tie(of, kept, "the pack voltage and is held there", Unexplained.NOTHING)
        yield (
            replace(tie, lowest=_ANY) if kept.ratio > _THROWN_UP else tie
        )  # far above: by how much it should be is open


def _move_together(link: Part, pack: Part, at_s: FloatArray) -> bool:
    """Whether the link follows the sag of the pack, as only a joined link does."""
    if at_s.size < 20:
        return False
    one = np.interp(at_s, link.time_s, link.value)
    other = np.interp(at_s, pack.time_s, pack.value)
    one, other = one / np.median(one) - 1.0, other / np.median(other) - 1.0
    if min(np.quantile(np.abs(one), 0.95), np.quantile(np.abs(other), 0.95)) < _SAG:
        return False
    return bool(np.corrcoef(one, other)[0, 1] >= _TOGETHER)


def _reads_open(signals: Signals, kept: Kept) -> bool:
    """Whether the main contactor reads open all the while: then nothing says that it joins link and pack."""
    main = signals.get("main_contactor")
    return main is not None and main.on is not None and main.on.size > 0 and not on_at(main, kept.at_s).any()


def _held_up(link: Part, kept: Kept) -> bool:
    """Whether a link at rest is held at a decimal share of the pack, or high above it.

    Only the pack can hold a link that does not discharge: joined, or by way of a precharge that stalls; and that one
    stalls at such a share is most unlikely. A braking motor throws a link up to two or three times the pack, no more.
    A few volts that stay are what the sensor of an empty link reads.
    """
    if kept.ratio > _THROWN_UP:
        return True
    decimal = nearest_slip(kept.ratio)
    if decimal is None or decimal.factor not in _DECIMAL:
        return False
    level = link.value[(link.time_s >= kept.at_s[0]) & (link.time_s <= kept.at_s[-1])]
    third = level.size // 3
    if third == 0 or float(np.median(level)) < _OFFSET_V:
        return False
    return bool(abs(np.median(level[-third:]) / np.median(level[:third]) - 1.0) < _HELD)


def _same_link(link: Part, second: Part) -> Iterator[Tie]:
    kept = _ratio(link, second)
    if kept is not None and (kept.agree >= _EVER_AGREED or kept.share >= _MOST):
        of = {"dc_link_voltage": 1, "dc_link_voltage_second": -1}
        yield _tie(of, kept, "the second reading of the same link")


def _charging(charger: Part, current: Part, pack: Part) -> Iterator[Tie]:
    """A charger that delivers current is at the voltage of the pack."""
    kept = _ratio(charger, pack)
    if kept is None:
        return
    delivering = np.interp(kept.at_s, current.time_s, np.abs(current.value)) > _CHARGING_A
    if np.mean(delivering) < _DELIVERS:
        return
    if kept.agree >= _EVER_AGREED or kept.share >= _MOST:
        of = {"charger_voltage": 1, "battery_voltage": -1}
        yield _tie(of, kept, "the pack voltage while the charger delivers current")


def _asked(target: Part, charger: Part, current: Part) -> Iterator[Tie]:
    """A charger stays below the voltage asked of it, and comes near it only at the end."""
    at_s = common_moments(target, charger)
    one, steady = steady_at(charger, at_s, lag_allowance_s(target, charger))
    asked = np.interp(at_s, target.time_s, target.value)
    delivering = np.interp(at_s, current.time_s, np.abs(current.value)) > _CHARGING_A
    kept = kept_ratio(at_s, one, asked, steady & delivering & (asked != 0.0))
    if kept is None:
        return
    top, fact = kept.ratio, f"{kept.ratio:.3g} × the requested voltage"
    of = {"charger_voltage": 1, "charger_voltage_target": -1}
    yield Tie(of, top, kept.low, kept.high, 0.6, 1.1, fact, float(kept.at_s[0]), float(kept.at_s[-1]))


def _within_limits(pack: Part, vehicle: Vehicle) -> Iterator[Tie]:
    """The pack between its limits, as far as the vehicle file states them."""
    lowest, highest = vehicle.limits.battery_min_V, vehicle.limits.battery_max_V
    live = pack.value[_live(pack, pack.value)]
    if highest is None or live.size == 0:
        return
    level = float(np.median(np.abs(live)))
    lowest = lowest if lowest is not None else highest / 2.0
    ratio = level / highest
    fact = f"at {level:.4g} V, but the vehicle file states {lowest:g} to {highest:g} V"
    yield Tie(
        {"battery_voltage": 1}, ratio, ratio, ratio, _PACK_LOWEST * lowest / highest, _PACK_MOST, fact,
        float(pack.time_s[0]), float(pack.time_s[-1]), Unexplained.ODD,
    )  # fmt: skip


def _below_maximum(link: Part, highest: float) -> Iterator[Tie]:
    """The link below its maximum nearly always; how far below is open, for it may never have been charged."""
    level = float(np.quantile(np.abs(link.value), 0.9))
    ratio = level / highest
    if ratio <= 0.0:
        return
    fact = f"at {level:.4g} V, but the vehicle file states at most {highest:g} V"
    of = {"dc_link_voltage": 1}
    yield Tie(of, ratio, ratio, ratio, 1e-6, _PACK_MOST, fact, float(link.time_s[0]), float(link.time_s[-1]))


def _tie(of: dict[str, int], kept: Kept, reading: str, unexplained: Unexplained = Unexplained.DOUBT) -> Tie:
    agreed = kept.agree >= _EVER_AGREED
    ratio = 1.0 if agreed else kept.ratio
    low, high = (1.0, 1.0) if agreed else (kept.low, kept.high)
    return Tie(
        of, ratio, low, high, 1.0 / _APART, _APART, f"{kept.ratio:.3g} × {reading}",
        float(kept.at_s[0]), float(kept.at_s[-1]), unexplained,
    )  # fmt: skip
