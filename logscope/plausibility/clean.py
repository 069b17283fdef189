"""Single readings that are none are taken out of their parts, counted and named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import BoolArray
from logscope.findings import Event, Finding, Measured, Severity
from logscope.plausibility.marks import raw_text
from logscope.plausibility.name import line_of, said, titled
from logscope.plausibility.no_value import mark_samples
from logscope.plausibility.waking import waking_samples
from logscope.signals import Part, Signals
from logscope.statistics.sampling import gap_threshold_s, stretches
from logscope.vehicle import Vehicle

_MOSTLY = 0.5  # more than that are no value: what is left does not stand for the part
_LISTED = 3  # raw values named
_EVENTS = 200  # listed one by one; more is a list nobody reads


@dataclass(frozen=True, slots=True, eq=False)
class Cleaned:
    """Signals without readings that are none; findings : what was taken out, one for each part and reason."""

    signals: Signals
    findings: tuple[Finding, ...]


def clean(signals: Signals, vehicle: Vehicle) -> Cleaned:
    """Take out marks for “no value”, then the first readings of controllers that wake."""
    findings: list[Finding] = []
    for found_in, tell in ((mark_samples, _no_value), (waking_samples, _waking)):
        found = found_in(signals, vehicle)
        findings += [tell(signals.parts[name], samples, vehicle) for name, samples in found.items()]
        signals = _without(signals, found)
    return Cleaned(signals, tuple(findings))


def _without(signals: Signals, found: Mapping[str, BoolArray]) -> Signals:
    doubtful = {
        name: f"{100 * float(np.mean(samples)):.3g} % of the readings of {said(name)} are marks for “no value”"
        for name, samples in found.items()
        if np.mean(samples) > _MOSTLY
    }
    parts = {
        name: part if name not in found or name in doubtful else part.where(~found[name])
        for name, part in signals.parts.items()
    }
    return replace(signals, parts=parts).without(doubtful)


def _no_value(part: Part, marks: BoolArray, vehicle: Vehicle) -> Finding:
    count, total, share = int(marks.sum()), marks.size, float(np.mean(marks))
    mostly = share > _MOSTLY
    shown = _shown(part, marks)
    if mostly:
        told = f"So {said(part.name)} is unknown in this log, and nothing that needs it was checked."
        step = (
            f"Check what {line_of(part.name, vehicle)} names, and whether its sensor is fitted and connected and its "
            "controller awake."
        )
    else:
        told = f"They were left out; {total - count} readings remain."
        step = (
            "No action, if the device was starting or stopping then. If not, check its sensor and plug, and "
            f"what {line_of(part.name, vehicle)} names."
        )
    return _finding(
        "mapping.no_value",
        Severity.WARNING if mostly else Severity.INFO,
        part,
        marks,
        title=f"{titled(part.name)}: {count} of {total} readings are “no value” ({shown})",
        explanation=(
            f"{count} of {total} readings are {shown}: a mark for “no value”, or a sensor at the end of its range. "
            f"{told} SAE J1939-71 reserves the highest values of a field for such marks; other marks are common "
            "practice, with no published source. A reading counts as a mark where it is impossible, where it jumps "
            "there and back with none between, or where it stands there unmoved."
        ),
        next_step=step,
    )


def _waking(part: Part, waking: BoolArray, vehicle: Vehicle) -> Finding:
    count = int(waking.sum())
    values = " and ".join(
        f"{value:g} {part.unit}" for value in list(dict.fromkeys(part.value[waking].tolist()))[:_LISTED]
    )
    readings = "1 reading" if count == 1 else f"{count} readings"
    return _finding(
        "mapping.waking",
        Severity.INFO,
        part,
        waking,
        title=f"{titled(part.name)}: {readings} of a controller that was waking ({values})",
        explanation=(
            f"{readings} of {said(part.name)} ({values}) cannot be true: it cannot change from there to the next "
            "reading so fast. A controller that starts, or starts again, sends such values before it has measured. "
            "They were left out."
        ),
        next_step=(
            "No action at power-up. If a controller starts again while driving, check its 12 V supply and ground."
        ),
    )


def _finding(
    kind: str, severity: Severity, part: Part, chosen: BoolArray, *, title: str, explanation: str, next_step: str
) -> Finding:
    """What was taken out of a part. chosen : which samples, shape (n,)."""
    gap_s = gap_threshold_s(part.time_s)
    first, last = stretches(chosen, part.time_s, gap_s if np.isfinite(gap_s) else 0.0)
    events = [Event(float(part.time_s[a]), float(part.time_s[b])) for a, b in zip(first, last, strict=True)]
    return Finding(
        kind=kind,
        severity=severity,
        start_s=events[0].start_s,
        end_s=events[-1].end_s,
        title=title,
        explanation=explanation,
        next_step=next_step,
        parts=(part.name,),
        measured={
            "count": Measured(float(chosen.sum()), ""),
            "share_percent": Measured(100.0 * float(np.mean(chosen)), "%"),
        },
        events=tuple(events[:_EVENTS]),
    )


def _shown(part: Part, marks: BoolArray) -> str:
    """The commonest marks, raw and as they read: 'raw 0xFF00, read as 16320 rpm'."""
    values, counts = np.unique(part.value[marks], return_counts=True)
    common = values[np.argsort(-counts)][:_LISTED]
    encoding = part.encoding
    if encoding is None:
        return ", ".join(part.label(float(value)) for value in common)
    raw = ", ".join(raw_text(encoding, int(number)) for number in encoding.raw(common))
    read = f"{common[0]:g} {part.unit}".strip() if part.unit else part.labels.get(float(common[0]), "")
    more = ", …" if values.size > _LISTED else ""
    return f"raw {raw}{more}" + (f", read as {read}" if read else "")
