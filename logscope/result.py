"""The outcome of a check run: findings, what could not be checked, and the account of the log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.capture.frames import Account
from logscope.findings import Finding, NotChecked, Severity
from logscope.signals import Part, Signals

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class CaptureSummary:
    """The account of a capture after decoding; frames = decoded + undefined + undecodable + error + remote.

    start_utc : where the log's stamps are dates; duration_s : from the first to the last sound stamp [s]
    frames_undefined : no definition; frames_undecodable : shorter than their definition needs
    samples_undecodable : signal values lost that way
    time_steps : (time_s, step_s) of jumps of the logger's clock
    """

    account: Account
    start_utc: datetime | None
    duration_s: float
    frames_decoded: int
    frames_undefined: int
    frames_undecodable: int
    samples_undecodable: int = 0
    time_steps: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """Everything the report shows.

    signals : the parts that the checks could use; doubted : those in doubt, which nothing rests on
    sources : the signal that plays each mapped part
    """

    vehicle_name: str
    capture: CaptureSummary
    findings: tuple[Finding, ...]
    not_checked: tuple[NotChecked, ...]
    signals: Signals
    sources: Mapping[str, str] = field(default_factory=dict)
    doubted: Mapping[str, Part] = field(default_factory=dict)

    @property
    def logged(self) -> Signals:
        """All parts with samples, those in doubt too: what charts show."""
        return replace(self.signals, parts={**self.doubted, **self.signals.parts})

    @property
    def worst(self) -> Severity:
        """The severity of the worst finding; good where there is none."""
        return max((f.severity for f in self.findings), key=lambda s: s.rank, default=Severity.GOOD)

    def to_json(self, path: Path | str | None = None, *, overwrite: bool = False) -> str:
        """The result as JSON text by the contract; also written to `path` where given.

        overwrite : also over a file that logscope did not write; never over a log. Raises RequestError else.
        """
        from logscope.outputs import JSON, write_output
        from logscope.report.json import result_to_json

        text = result_to_json(self)
        if path is not None:
            write_output(path, text, JSON, self.capture.account.files, overwrite=overwrite)
        return text

    def to_html(self, path: Path | str | None = None, *, overwrite: bool = False) -> str:
        """The report as one self-contained HTML page; also written to `path` where given, as by `to_json`."""
        from logscope.outputs import HTML, write_output
        from logscope.report.html import result_to_html

        text = result_to_html(self)
        if path is not None:
            write_output(path, text, HTML, self.capture.account.files, overwrite=overwrite)
        return text

    def to_dataframe(self) -> pd.DataFrame:
        """One row a measured value: kind, severity, start_s, end_s, name, value, low, high, unit, expected…"""
        from logscope.report.dataframe import result_to_dataframe

        return result_to_dataframe(self)
