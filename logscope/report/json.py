"""A result as JSON text, by the contract that other tools read."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from logscope.diagnosis.explanation import Explanation
from logscope.findings import Finding, Measured
from logscope.result import CaptureSummary, Result

SCHEMA = 1


def result_to_json(result: Result) -> str:
    """The whole result as JSON text; numbers that are not finite become null."""
    return to_json_text(
        {
            "schema": SCHEMA,
            "logscope": version(),
            "capture": capture_fields(result.capture),
            "findings": [finding_fields(finding) for finding in result.findings],
            "explanations": [explanation_fields(each) for each in result.explanations],
            "not_checked": [{"check": item.check, "reason": item.reason} for item in result.not_checked],
        }
    )


def to_json_text(fields: Mapping[str, Any]) -> str:
    """Plain fields as readable JSON text that every strict reader takes."""
    return json.dumps(fields, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def capture_fields(capture: CaptureSummary) -> dict[str, Any]:
    """The account of a capture; see the contract for the sums that close."""
    account = capture.account
    return {
        "files": list(account.files),
        "start_utc": utc_text(capture.start_utc),
        "duration_s": number(capture.duration_s),
        "lines": account.lines,
        "lines_bad": account.lines_bad,
        "lines_other": account.other,
        "sample_lines": account.sample_lines,
        "frames": account.frames,
        "frames_decoded": capture.frames_decoded,
        "frames_undefined": capture.frames_undefined,
        "frames_undecodable": capture.frames_undecodable,
        "samples_undecodable": capture.samples_undecodable,
        "error_frames": account.error_frames,
        "remote_frames": account.remote_frames,
        "out_of_order": account.out_of_order,
        "stamps_repaired": account.stamps_repaired,
        "lost": account.lost,
        "console_restarts": account.resets,
        "time_steps": [{"time_s": number(time), "step_s": number(step)} for time, step in capture.time_steps],
        "bad_lines": [{"file": bad.file, "line": bad.line, "reason": bad.reason} for bad in account.bad],
        "notes": list(account.notes),
        "assumptions": list(account.cautions),
    }


def finding_fields(finding: Finding) -> dict[str, Any]:
    """One finding; `events` and `count` only where it gathers several episodes."""
    fields: dict[str, Any] = {
        "kind": finding.kind,
        "severity": finding.severity.value,
        "start_s": number(finding.start_s),
        "end_s": number(finding.end_s),
        "title": finding.title,
        "explanation": finding.explanation,
        "method": finding.method,
        "next_step": finding.next_step,
        "caution": finding.caution,
        "cause": finding.cause,
        "measured": {name: measured_fields(value) for name, value in finding.measured.items()},
        "expected": {name: measured_fields(value) for name, value in finding.expected.items()},
        "parts": list(finding.parts),
    }
    if finding.events:
        fields["events"] = [{"start_s": number(e.start_s), "end_s": number(e.end_s)} for e in finding.events]
        fields["count"] = len(finding.events)
    return fields


def explanation_fields(explanation: Explanation) -> dict[str, Any]:
    """One explanation; its members are indices into the findings."""
    return {
        "cause": explanation.cause,
        "title": explanation.title,
        "likelihood": number(explanation.likelihood),
        "members": list(explanation.members),
        "for": list(explanation.evidence_for),
        "against": list(explanation.evidence_against),
        "rival": explanation.rival or None,
        "deciding_test": explanation.deciding_test,
        "actions": list(explanation.actions),
    }


def measured_fields(measured: Measured) -> dict[str, Any]:
    """A value with its limits and unit."""
    return {
        "value": number(measured.value),
        "low": number(measured.low),
        "high": number(measured.high),
        "unit": measured.unit,
    }


def number(value: float | None) -> float | None:
    """The value as a plain float; None where there is none or it is not finite.

    >>> number(2), number(float("nan"))
    (2.0, None)
    """
    return float(value) if value is not None and math.isfinite(value) else None


def utc_text(moment: datetime | None) -> str | None:
    """An ISO 8601 time that ends in Z; a time without a zone is taken as UTC.

    >>> utc_text(datetime(2026, 3, 1, 9))
    '2026-03-01T09:00:00Z'
    """
    if moment is None:
        return None
    aware = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    return aware.isoformat().replace("+00:00", "Z")


def version() -> str:
    """The installed version of logscope."""
    from importlib.metadata import PackageNotFoundError
    from importlib.metadata import version as installed

    try:
        return installed("logscope-drive")
    except PackageNotFoundError:  # run from a source tree that was never installed
        return "unknown"
