"""Single readings that are none are taken out of their parts, counted and named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import BoolArray
from logscope.findings import Event, Evidence, Finding, Measured, Severity
from logscope.parts import part_name, part_title
from logscope.plausibility.marks import raw_text
from logscope.plausibility.name import line_of
from logscope.plausibility.no_value import mark_samples
from logscope.plausibility.waking import waking_samples
from logscope.signals import Part, Signals
from logscope.statistics.sampling import gap_threshold_s, stretches
from logscope.vehicle import Vehicle

_MOSTLY = 0.5  # more than that are no value: what is left does not stand for the part
_FEWEST_LEFT = 10  # readings: with fewer, those before a controller wakes and after it sleeps count as well
_LISTED = 3  # raw values named
_EVENTS = 200  # listed one by one; more is a list nobody reads


@dataclass(frozen=True, slots=True, eq=False)
class Cleaned:
    """Signals without readings that are none.

    findings : what was taken out, one for each part and reason; originals : those parts before that
    """

    signals: Signals
    findings: tuple[Finding, ...]
    originals: Mapping[str, Part]


def clean(signals: Signals, vehicle: Vehicle) -> Cleaned:
    """Take out marks for “no value”, then the first readings of controllers that wake."""
    findings: list[Finding] = []
    originals: dict[str, Part] = {}
    marks = mark_samples(signals, vehicle)
    unknown = {
        name: f"{100 * float(np.mean(samples)):.3g} % of the readings of {part_name(name)} are marks for “no value”"
        for name, samples in marks.items()
        if _mostly(samples)
    }
    findings += [_no_value(signals.parts[name], samples, vehicle) for name, samples in marks.items()]
    originals |= {name: signals.parts[name] for name in marks}
    signals = _without(signals, marks).without(unknown)
    waking = waking_samples(signals, vehicle)
    findings += [_waking(signals.parts[name], samples) for name, samples in waking.items()]
    originals = {name: signals.parts[name] for name in waking} | originals
    signals = _without(signals, waking)
    return Cleaned(signals, tuple(findings), originals)


def _without(signals: Signals, found: Mapping[str, BoolArray]) -> Signals:
    left = {name: signals.parts[name].where(~samples) for name, samples in found.items()}
    return replace(signals, parts={**signals.parts, **left})


def _mostly(samples: BoolArray) -> bool:
    """Whether most readings are no value. A log may begin long before a controller wakes: that time does not count."""
    left = np.flatnonzero(~samples)
    counted = samples if left.size < _FEWEST_LEFT else samples[left[0] : left[-1] + 1]
    return float(np.mean(counted)) > _MOSTLY


def _no_value(part: Part, marks: BoolArray, vehicle: Vehicle) -> Finding:
    count, total, mostly = int(marks.sum()), marks.size, _mostly(marks)
    shown = _shown(part, marks)
    if mostly:
        effect = f"{part_title(part.name)} is unknown in this log, so nothing that needs it was checked."
        step = (
            f"Check what {line_of(part.name, vehicle)} names. Check that its sensor is fitted and connected and its "
            "controller powered."
        )
    else:
        effect = f"They were left out; {total - count} readings remain."
        step = (
            "No action if the device was starting or stopping then. Otherwise check its sensor and plug, and "
            f"what {line_of(part.name, vehicle)} names."
        )
    return _finding(
        "mapping.no_value",
        Severity.WARNING if mostly else Severity.INFO,
        part,
        marks,
        title=f"{part_title(part.name)}: {count} of {total} readings are “no value” ({shown})",
        explanation=(
            f"{count} of {total} readings are {shown}: a mark for “no value”, or a sensor at the end of its range. "
            f"{effect}"
        ),
        method=(
            "A reading counts as a mark where it is impossible for this part, where it jumps there and back with "
            "nothing between, or where it stays there unchanged. SAE J1939-71 reserves the highest values of a field "
            "for such marks; other marks are common practice, no published source."
        ),
        next_step=step,
    )


def _waking(part: Part, waking: BoolArray) -> Finding:
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
        title=f"{part_title(part.name)}: {readings} left out while its controller started ({values})",
        explanation=(
            f"{readings} ({values}) cannot be true: {part_name(part.name)} cannot change from there to the next "
            "reading in that time. A controller that starts or restarts sends such values before it has measured. "
            f"{'It was' if count == 1 else 'They were'} left out."
        ),
        next_step=("No action at power-up. If a controller restarts while driving, check its 12 V supply and ground."),
    )


def _finding(
    kind: str,
    severity: Severity,
    part: Part,
    chosen: BoolArray,
    *,
    title: str,
    explanation: str,
    next_step: str,
    method: str = "",
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
        method=method,
        next_step=next_step,
        parts=(part.name,),
        measured={
            "count": Measured(float(chosen.sum()), ""),
            "share_percent": Measured(100.0 * float(np.mean(chosen)), "%"),
        },
        events=tuple(events[:_EVENTS]),
        evidence=Evidence(as_logged=True),
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
