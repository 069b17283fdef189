"""A result as a short table in a notebook: what the terminal shows, and no more."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from logscope.findings import Severity
from logscope.quantities import number_text

if TYPE_CHECKING:
    from logscope.result import Result

_SHADES = {
    Severity.DANGER: "#f8d7da",
    Severity.WARNING: "#fff3cd",
    Severity.INFO: "#e7eef7",
    Severity.GOOD: "#e2f1e5",
}  # light, so that the text stays dark on it, in dark notebooks too


def result_to_notebook(result: Result) -> str:
    """The findings with severity, time and title, worst first, then what was not checked. All texts are escaped."""
    findings = sorted(result.findings, key=lambda finding: (-finding.severity.rank, finding.start_s))
    rows = "".join(
        f'<tr style="background:{_SHADES[finding.severity]};color:#111">'
        f"<td>{finding.severity.value}</td>"
        f'<td style="text-align:right">{number_text(finding.start_s, 2)} s</td>'
        f'<td style="text-align:left">{escape(finding.title)}</td></tr>'
        for finding in findings
    )
    head = "<tr><th>severity</th><th>from</th><th>finding</th></tr>"
    table = f"<table><thead>{head}</thead><tbody>{rows}</tbody></table>" if findings else "<p>No findings.</p>"
    left_out = "".join(f"<li>{escape(each.check)}: {escape(each.reason)}</li>" for each in result.not_checked)
    not_checked = f"<details><summary>Not checked</summary><ul>{left_out}</ul></details>" if left_out else ""
    return f"<p><b>{escape(result.vehicle_name)}</b></p>{table}{not_checked}"
