"""Several logs of one recording onto one clock, by what they logged of the same quantity, or by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logscope.capture.shift import Shift
from logscope.errors import LogError, RequestError
from logscope.joint_clock import JointClock
from logscope.signals import Signals

if TYPE_CHECKING:
    from logscope.statistics.alignment import Alignment

# Parts that are one quantity, so that they move at the same moment. Targets lead, and road speed lags by its filter.
ALIKE = (
    ("motor_speed", "motor_speed_second"),
    ("motor_current",),
    ("battery_current",),
    ("dc_link_voltage", "dc_link_voltage_second"),
    ("battery_voltage",),
    ("torque",),
    ("vehicle_speed",),
    ("throttle", "throttle_second"),
)
_SAME_RECORDING_S = 3600.0  # dated logs farther apart than this follow each other, by whatever clocks
_HALF = 0.5  # of a period: clocks nearer than that are one clock to these samples


@dataclass(frozen=True, slots=True, eq=False)
class SeenLog:
    """What one log holds by itself: first and last stamp [ns], and the parts in it, times from its first stamp."""

    file: str
    start_ns: int
    end_ns: int
    dated: bool
    serial: bool
    signals: Signals


@dataclass(frozen=True, slots=True)
class Joined:
    """A log's shift onto the joint clock, and how well it is known."""

    shift: Shift
    clock: JointClock


def by_hand(logs: Sequence[SeenLog], starts_s: Sequence[float]) -> list[Joined | None]:
    """Every log but the first starts so many seconds after the first.

    Raises RequestError where the numbers are not one for each further log.
    """
    if len(starts_s) != len(logs) - 1:
        raise RequestError(
            f"--align is given {len(starts_s)} times for {len(logs)} logs",
            do="Give it once for each log after the first: the seconds from the start of the first log to its start.",
        )
    first = logs[0]
    shifts = [first.start_ns + round(start * 1e9) - log.start_ns for log, start in zip(logs[1:], starts_s, strict=True)]
    return [
        None,
        *(
            Joined(Shift(shift), JointClock(log.file, first.file, start))
            for log, shift, start in zip(logs[1:], shifts, starts_s, strict=True)
        ),
    ]


def by_signals(logs: Sequence[SeenLog]) -> list[Joined | None]:
    """Each log onto the clock of the first that has dates, or of the first; None for one that stays as it is.

    Raises LogError where clocks must differ, and no quantity shows how.
    """
    reference = next((log for log in logs if log.dated), logs[0])
    return [None if log is reference else _onto(reference, log) for log in logs]


def _onto(reference: SeenLog, log: SeenLog) -> Joined | None:
    same_zero = log.dated == reference.dated and (log.dated or log.serial == reference.serial)
    if same_zero and log.dated and _far_apart(reference, log):
        return None
    found, reasons = _best(reference, log)
    if found is None:
        if same_zero:
            return None  # as the loggers say; nothing contradicts them
        raise LogError(
            "these logs are on different clocks, and the offset between them cannot be determined: "
            + "; ".join(reasons),
            where=log.file,
            do="Check them one by one, or give the seconds from the first log's start to this one with --align.",
        )
    seen_in, fit = found
    start_s = fit.offset_s - fit.drift * fit.middle_s  # of the log, on the reference's clock
    offset_ns = reference.start_ns - log.start_ns + round(fit.offset_s * 1e9)
    period = log.signals[seen_in].period_s
    if same_zero and abs(offset_ns) < _HALF * period * 1e9:
        return None
    reach = fit.offset_high_s - fit.offset_s + abs(fit.drift_high - fit.drift) * fit.middle_s
    clock = JointClock(
        log.file,
        reference.file,
        start_s,
        start_s - reach,
        start_s + reach,
        1e6 * fit.drift,
        1e6 * fit.drift_low,
        1e6 * fit.drift_high,
        fit.residual_s,
        seen_in,
    )
    return Joined(Shift(offset_ns, fit.drift, log.start_ns + round(fit.middle_s * 1e9)), clock)


def by_recording(logs: Sequence[SeenLog]) -> list[list[SeenLog]]:
    """The logs in groups, one a recording, in the order given.

    Logs with dates belong together where they overlap in time; any other where a quantity that both logged says so.
    """
    groups: list[list[SeenLog]] = []
    for log in logs:
        group = next((group for group in groups if any(_one_recording(other, log) for other in group)), None)
        if group is None:
            groups.append([log])
        else:
            group.append(log)
    return groups


def _one_recording(one: SeenLog, other: SeenLog) -> bool:
    if one.dated and other.dated:
        return max(one.start_ns, other.start_ns) < min(one.end_ns, other.end_ns)
    return _best(one, other)[0] is not None


def _far_apart(one: SeenLog, other: SeenLog) -> bool:
    between = max(one.start_ns - other.end_ns, other.start_ns - one.end_ns)
    return between > _SAME_RECORDING_S * 1e9


def _best(reference: SeenLog, log: SeenLog) -> tuple[tuple[str, Alignment] | None, list[str]]:
    """The part of the log that gives its clock best, with the fit; and why others do not."""
    from logscope.statistics.alignment import NotAligned, align_clocks  # scipy takes its time to load

    fits: list[tuple[str, Alignment]] = []
    reasons: list[str] = []
    for parts in ALIKE:
        for theirs in (part for part in parts if part in reference.signals):
            for own in (part for part in parts if part in log.signals):
                first, second = reference.signals[theirs], log.signals[own]
                fit = align_clocks(first.time_s, first.value, second.time_s, second.value)
                if isinstance(fit, NotAligned):
                    reasons.append(f"{own.replace('_', ' ')}: {fit.reason}")
                else:
                    fits.append((own, fit))
    if not fits:
        return None, reasons or ["no mapped quantity is in both logs"]
    return min(fits, key=lambda each: each[1].offset_high_s - each[1].offset_low_s), reasons
