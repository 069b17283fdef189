"""A comparison as JSON text, by the contract that other tools read."""

from __future__ import annotations

from functools import reduce
from operator import add
from typing import Any

from logscope.comparison.outcome import ComparedMeasure, Comparison, Exposure, Side
from logscope.findings import Measured
from logscope.report.json import SCHEMA, capture_fields, number, to_json_text, version
from logscope.result import CaptureSummary


def comparison_to_json(comparison: Comparison) -> str:
    """The whole comparison as JSON text; numbers that are not finite become null."""
    return to_json_text(
        {
            "schema": SCHEMA,
            "logscope": version(),
            "verdict": comparison.verdict.value,
            "reason": comparison.reason,
            "measures": [_measure_fields(measure) for measure in comparison.measures],
            "differences": [{"text": each.text, "parts": list(each.parts)} for each in comparison.differences],
            "before": _side_fields(comparison.before),
            "after": _side_fields(comparison.after),
        }
    )


def _measure_fields(measure: ComparedMeasure) -> dict[str, Any]:
    return {
        "name": measure.name,
        "title": measure.title,
        "unit": measure.unit,
        "before": _value_fields(measure.before),
        "after": _value_fields(measure.after),
        "effect": _value_fields(measure.effect),
        "effect_is": None if measure.effect is None else "after / before" if measure.is_ratio else "after − before",
        "verdict": measure.verdict.value,
        "reason": measure.reason,
        "p_value": number(measure.p_value),
        "p_adjusted": number(measure.p_adjusted),
        "exposure": _exposure_fields(measure.exposure),
        "could_show_ratio": number(measure.could_show),
        "more_minutes_for_a_halving": number(measure.more_min),
    }


def _value_fields(measured: Measured | None) -> dict[str, Any]:
    if measured is None:
        return {"value": None, "low": None, "high": None}
    return {"value": number(measured.value), "low": number(measured.low), "high": number(measured.high)}


def _exposure_fields(exposure: Exposure | None) -> dict[str, Any] | None:
    if exposure is None:
        return None
    sides = {}
    for index, side in enumerate(("before", "after")):
        sides[side] = {
            "count": number(exposure.counts[index]),
            "shared_min": number(exposure.shared_min[index]) if exposure.shared_min else None,
            "all_min": number(exposure.all_min[index]) if exposure.all_min else None,
        }
    return {**sides, "units": exposure.units}


def _side_fields(side: Side) -> dict[str, Any]:
    """The account of all runs together, and of each."""
    runs = [result.capture for result in side.results]
    return {"capture": capture_fields(_together(runs)), "runs": [capture_fields(run) for run in runs]}


def _together(runs: list[CaptureSummary]) -> CaptureSummary:
    """Sums over the runs; start of the first that has a date."""
    return CaptureSummary(
        account=reduce(add, (run.account for run in runs)),
        start_utc=min((run.start_utc for run in runs if run.start_utc is not None), default=None),
        duration_s=sum(run.duration_s for run in runs),
        frames_decoded=sum(run.frames_decoded for run in runs),
        frames_undefined=sum(run.frames_undefined for run in runs),
        frames_undecodable=sum(run.frames_undecodable for run in runs),
        samples_undecodable=sum(run.samples_undecodable for run in runs),
        time_steps=tuple(step for run in runs for step in run.time_steps),
    )
