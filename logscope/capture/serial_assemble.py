"""From rows of raw numbers to signals on one clock: the last step of every serial format."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray
from logscope.capture.arrival import Envelope, skew
from logscope.capture.frames import MAX_BAD_LINES_NAMED, BadLine, Gap
from logscope.capture.samples import Samples, SerialAccount, SerialLog
from logscope.definitions.serial import NS_PER_UNIT, SerialDefinition

TimesNs = NDArray[np.int64]

# An overflow costs no time, so the step across it is as long as any other. This many typical steps
# leave room for lines lost there; a longer step is taken for a restart, which needs no room.
LIKELY_STEPS = 20
# A controller that restarts speaks again within its boot time, a few seconds (common practice, no
# published source). A counter below that shows how long ago it started, a higher one does not.
BOOT_NS = 30_000_000_000
# How far a controller's clock may leave its own mean rate, as it warms (common practice, no published source).
_RATE_CHANGE = 500e-6


@dataclass(frozen=True, slots=True, eq=False)
class Unrolled:
    """time_ns : on one clock, shape (n,); overflows, resets : how many of each were bridged
    reset_at : places in time_ns of the first value after each reset
    unplaced_resets : those of the resets behind which the counter did not begin near zero
    """

    time_ns: TimesNs
    overflows: int
    resets: int
    unplaced_resets: int
    reset_at: tuple[int, ...] = ()


def stray(ticks: TimesNs, modulus: int | None) -> BoolArray:
    """Single values that stand apart from neighbours which agree with each other; shape (n,).

    They are digits damaged on the way: a clock does not jump and come back.
    """
    strays = np.zeros(ticks.size, np.bool_)
    if ticks.size < 3:
        return strays
    steps, across = _steps(ticks, 1, modulus), _steps(ticks, 2, modulus)
    limit = LIKELY_STEPS * _typical(steps)
    likely = (steps >= 0) & (steps <= limit)
    strays[1:-1] = ~likely[:-1] & ~likely[1:] & (across >= 0) & (across <= limit)
    return strays


def unroll(ticks: TimesNs, modulus: int | None, restarts: bool) -> Unrolled:
    """Times of a counter, in order of the log, on one clock that starts with its first value.

    ticks : the counter's values [ns], shape (n,); modulus : where it overflows [ns], None if it does not
    restarts : whether a step back can be a restart of the controller. Such a step is replaced by the
        time since the restart where the counter shows it, which is the shortest that can have passed, and
        by a typical step elsewhere. A small step back that the next value makes good is left as it is.
    """
    if ticks.size < 2:
        return Unrolled(ticks.astype(np.int64), 0, 0, 0)
    plain, forward = np.diff(ticks), _steps(ticks, 1, modulus)
    typical = _typical(forward)
    back = plain < 0
    overflow = back & (forward >= 0) & (forward <= LIKELY_STEPS * typical)
    made_good = np.zeros_like(back)
    made_good[:-1] = (ticks[2:] >= ticks[:-2]) & (-plain[:-1] <= LIKELY_STEPS * typical)
    reset = back & ~overflow & ~made_good if restarts else np.zeros_like(back)
    shown = ticks[1:] <= BOOT_NS
    steps = np.where(overflow, forward, plain)
    steps[reset] = np.where(shown, np.maximum(ticks[1:], typical), typical)[reset]
    time_ns = np.concatenate((ticks[:1], ticks[0] + np.cumsum(steps)))
    reset_at = tuple((np.flatnonzero(reset) + 1).tolist())
    return Unrolled(time_ns, int(overflow.sum()), int(reset.sum()), int((reset & ~shown).sum()), reset_at)


def _steps(ticks: TimesNs, span: int, modulus: int | None) -> TimesNs:
    steps = ticks[span:] - ticks[:-span]
    return steps if modulus is None else steps % modulus


def _typical(steps: TimesNs) -> int:
    ahead = steps[steps > 0]
    return int(np.median(ahead)) if ahead.size else 0


MAX_TIME_NS = 4_000_000_000 * NS_PER_UNIT["s"]  # the year 2096 since 1970; what is beyond is no time


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Sound lines or records in the order of the log.

    line : their numbers, from 1, shape (n,); turn : how many samples, damaged ones among them, came before
    value : raw numbers by signal, NaN where there is none, shape (n, signals)
    time : of the time field, in its unit, NaN where there is none, shape (n,)
    stamp_ns : of the logging computer, shape (n,), where the log has them; beside a time field they are arrivals, onto
        which the console's own clock is put
    """

    line: NDArray[np.int64]
    turn: NDArray[np.int64]
    value: FloatArray
    time: FloatArray
    stamp_ns: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return int(self.line.size)

    def only(self, keep: BoolArray) -> Rows:
        """The rows that are to be kept."""
        stamp_ns = None if self.stamp_ns is None else self.stamp_ns[keep]
        return Rows(self.line[keep], self.turn[keep], self.value[keep], self.time[keep], stamp_ns)


def assemble(definition: SerialDefinition, rows: Rows, account: SerialAccount) -> SerialLog:
    """The log: rows whose time cannot be right become bad lines, the others go onto one clock."""
    rows, account = _with_sound_times(definition, rows, account)
    time_ns, account = _on_one_clock(definition, rows, account)
    account = replace(account, out_of_order=int(np.count_nonzero(np.diff(time_ns) < 0)))
    order = np.argsort(time_ns, kind="stable") if account.out_of_order else slice(None)
    time_ns, value = time_ns[order], rows.value[order]
    signals, notes = {}, list(account.notes)
    for column, signal in enumerate(definition.signal):
        with np.errstate(over="ignore"):  # what overflows is counted below
            scaled = value[:, column] * signal.scale + signal.offset
        there = np.isfinite(scaled)
        signals[signal.name] = Samples(time_ns[there], scaled[there])
        if lost := int(np.count_nonzero(np.isinf(scaled))):
            notes.append(f"{definition.name}.{signal.name}: {lost} infinite values were left out")
    dated = definition.time.stamp in ("iso", "epoch")
    return SerialLog(definition.message, signals, replace(account, notes=tuple(notes)), dated)


def _with_sound_times(definition: SerialDefinition, rows: Rows, account: SerialAccount) -> tuple[Rows, SerialAccount]:
    time = definition.time
    if time.rate_Hz is not None:
        return rows, account
    if time.field is not None:
        rows, account = _held(definition, rows, account)
        highest = MAX_TIME_NS if time.modulus_ns is None else time.modulus_ns - 1
        fits = (rows.time >= 0) & (rows.time <= highest / NS_PER_UNIT[time.unit])
        rows, account = _drop(rows, ~fits, "its time is out of range", account)
    lone = stray(_ticks(definition, rows), time.modulus_ns)
    return _drop(rows, lone, "its time does not fit the lines before and after it", account)


def _held(definition: SerialDefinition, rows: Rows, account: SerialAccount) -> tuple[Rows, SerialAccount]:
    """Rows without a time of their own take that of the last row that had one."""
    own = ~np.isnan(rows.time)
    if own.all():
        return rows, account
    last = np.maximum.accumulate(np.where(own, np.arange(len(rows)), -1))
    held = int(np.count_nonzero((last >= 0) & ~own))
    rows = replace(rows, time=np.where(last >= 0, rows.time[last], np.nan))
    rows, account = _drop(rows, last < 0, "it comes before the first time", account)
    if not held:
        return rows, account
    note = f"{definition.name}: lines without a time got the time of the last line that has one ({held})"
    return rows, replace(account, notes=(*account.notes, note))


def _ticks(definition: SerialDefinition, rows: Rows) -> NDArray[np.int64]:
    if rows.stamp_ns is not None and definition.time.field is None:
        return rows.stamp_ns
    return np.rint(rows.time * NS_PER_UNIT[definition.time.unit]).astype(np.int64)


def _on_one_clock(
    definition: SerialDefinition, rows: Rows, account: SerialAccount
) -> tuple[NDArray[np.int64], SerialAccount]:
    time, name = definition.time, definition.name
    if time.rate_Hz is not None:
        note = f"{name}: the log holds no time; {time.rate_Hz:g} samples per second are assumed"
        time_ns = np.rint(rows.turn * (NS_PER_UNIT["s"] / time.rate_Hz)).astype(np.int64)
        return time_ns, replace(account, notes=(*account.notes, note), assumptions=(*account.assumptions, note))
    restarts = time.field is not None or time.stamp == "uptime"
    clock = unroll(_ticks(definition, rows), time.modulus_ns, restarts)
    notes = list(account.notes)
    if clock.resets:
        notes.append(
            f"{name}: the clock restarted {_times(clock.resets)}; the times continue from there, without the"
            " time while the controller was off"
        )
    if clock.unplaced_resets:
        notes.append(
            f"{name}: {_times(clock.unplaced_resets)} it went back without starting near zero; the time in between is"
            " unknown, and a typical step was assumed"
        )
    time_ns = clock.time_ns
    if rows.stamp_ns is not None and time.field is not None:
        time_ns = _onto_arrivals(time_ns, rows.stamp_ns, clock.reset_at)
        notes = [*account.notes, f"{name}: its own clock was aligned to the arrival of its samples"]
    gaps = tuple(Gap(int(time_ns[k - 1]), int(time_ns[k])) for k in clock.reset_at)
    return time_ns, replace(account, resets=clock.resets, restarts=gaps, notes=tuple(notes))


def _onto_arrivals(own_ns: TimesNs, arrival_ns: TimesNs, reset_at: Sequence[int]) -> TimesNs:
    """Times of the console's own clock on that of the arrivals, anew after each reset; shape (n,)."""
    arrival_ns = np.maximum.accumulate(arrival_ns)
    parts = zip(np.split(own_ns, reset_at), np.split(arrival_ns, reset_at), strict=True)
    return np.concatenate([_placed(own, seen) for own, seen in parts])


def _placed(own_ns: TimesNs, arrival_ns: TimesNs) -> TimesNs:
    """Times of a clock that ran on, at the rate that the arrivals show."""
    if not own_ns.size:
        return own_ns
    rated = own_ns + np.rint(skew(own_ns, arrival_ns) * (own_ns - own_ns[0])).astype(np.int64)
    return Envelope(max_drift=_RATE_CHANGE).onto(rated, arrival_ns)[0]


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _drop(rows: Rows, bad: BoolArray, reason: str, account: SerialAccount) -> tuple[Rows, SerialAccount]:
    count = int(np.count_nonzero(bad))
    if not count:
        return rows, account
    named = [BadLine(account.files[0], int(line), reason) for line in rows.line[bad][:MAX_BAD_LINES_NAMED]]
    account = replace(
        account,
        sample_lines=account.sample_lines - count,
        lines_bad=account.lines_bad + count,
        bad=first_bad([*account.bad, *named]),
    )
    return rows.only(~bad), account


def first_bad(bad: Sequence[BadLine]) -> tuple[BadLine, ...]:
    """The bad lines to be named, in the order of the log."""
    return tuple(sorted(bad, key=lambda entry: entry.line)[:MAX_BAD_LINES_NAMED])
