"""A result as a pandas table: one row for each measured value."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logscope.findings import Finding, Measured

if TYPE_CHECKING:
    import pandas as pd

    from logscope.result import Result

_TEXTS = ("kind", "severity", "name", "unit", "title", "cause")
_NUMBERS = ("start_s", "end_s", "value", "low", "high", "expected_value", "expected_low", "expected_high")
COLUMNS = (
    "finding", "kind", "severity", "start_s", "end_s", "name", "value", "low", "high", "unit",
    "expected_value", "expected_low", "expected_high", "title", "cause",
)  # fmt: skip


def result_to_dataframe(result: Result) -> pd.DataFrame:
    """One row a measured value, in the order of the findings; NaN where there is no value or limit.

    `finding` numbers the findings from 0, as in `result.findings`. A finding without values keeps one
    row, so that none is lost. Each value is in its `unit`; times are seconds from the capture's start.
    """
    import pandas as pd

    rows = [row for index, finding in enumerate(result.findings) for row in _rows(index, finding)]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    types = {"finding": "int64"} | dict.fromkeys(_TEXTS, "string") | dict.fromkeys(_NUMBERS, "float64")
    return table.astype(types)


def _rows(index: int, finding: Finding) -> list[dict[str, Any]]:
    names: list[str | None] = list(dict.fromkeys((*finding.measured, *finding.expected)))
    shared = {
        "finding": index,
        "kind": finding.kind,
        "severity": finding.severity.value,
        "start_s": finding.start_s,
        "end_s": finding.end_s,
        "title": finding.title,
        "cause": finding.cause,
    }
    return [shared | _values(name, finding) for name in names or [None]]


def _values(name: str | None, finding: Finding) -> dict[str, Any]:
    nothing = Measured(None, "")
    measured = finding.measured.get(name, nothing) if name else nothing
    expected = finding.expected.get(name, nothing) if name else nothing
    return {
        "name": name,
        "value": measured.value,
        "low": measured.low,
        "high": measured.high,
        "unit": measured.unit or expected.unit,
        "expected_value": expected.value,
        "expected_low": expected.low,
        "expected_high": expected.high,
    }
