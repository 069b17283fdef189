"""The outcome of a check run: findings, what could not be checked, and the account of the log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.capture.frames import Account
from logscope.diagnosis.explanation import Explanation
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
    """Everything the report shows. In a notebook it shows as a short table.

    Attributes
    ----------
    findings : tuple of Finding
        Those on the mapping first, the others in order of time.
    explanations : tuple of Explanation
        Findings of one origin, joined; the most dangerous first. A finding in none of them stands by itself.
    not_checked : tuple of NotChecked
        Checks that could not run, with the reason.
    capture : CaptureSummary
        The account of the log.
    signals : Signals
        The parts that the checks could use.
    doubted : mapping of str to Part
        The parts in doubt, which no check used.
    originals : mapping of str to Part
        Parts of which readings were left out, with all readings as logged.
    sources : mapping of str to str
        The signal that is mapped to each part.

    Examples
    --------
    >>> import logscope
    >>> result = logscope.check("sample_logs/hazel-troubled.log", "decoders/hazel.toml", only="trips")
    >>> result.worst.value
    'danger'
    """

    vehicle_name: str
    capture: CaptureSummary
    findings: tuple[Finding, ...]
    not_checked: tuple[NotChecked, ...]
    signals: Signals
    sources: Mapping[str, str] = field(default_factory=dict)
    doubted: Mapping[str, Part] = field(default_factory=dict)
    originals: Mapping[str, Part] = field(default_factory=dict)
    explanations: tuple[Explanation, ...] = ()

    @property
    def logged(self) -> Signals:
        """All parts with samples, those in doubt too: what charts show."""
        return replace(self.signals, parts={**self.doubted, **self.signals.parts})

    def drawn_for(self, finding: Finding) -> Signals:
        """What the chart of a finding shows: as `logged`, where the finding asks for it with the readings left out."""
        if not finding.evidence.as_logged:
            return self.logged
        return replace(self.logged, parts={**self.logged.parts, **self.originals})

    @property
    def worst(self) -> Severity:
        """The severity of the worst finding; good where there is none."""
        return max((f.severity for f in self.findings), key=lambda s: s.rank, default=Severity.GOOD)

    def to_json(self, path: Path | str | None = None, *, overwrite: bool = False) -> str:
        """The result as JSON.

        Parameters
        ----------
        path : path, optional
            Where to write it as well.
        overwrite : bool
            Also over a file that logscope did not write; never over a log.

        Returns
        -------
        str

        Raises
        ------
        RequestError
            Where `path` must not be written over.
        """
        from logscope.outputs import JSON, write_output
        from logscope.report.json import result_to_json

        text = result_to_json(self)
        if path is not None:
            write_output(path, text, JSON, self.capture.account.files, overwrite=overwrite)
        return text

    def to_html(self, path: Path | str | None = None, *, overwrite: bool = False) -> str:
        """The report as one HTML page that needs no network.

        Parameters
        ----------
        path : path, optional
            Where to write it as well.
        overwrite : bool
            Also over a file that logscope did not write; never over a log.

        Returns
        -------
        str

        Raises
        ------
        RequestError
            Where `path` must not be written over.
        """
        from logscope.outputs import HTML, write_output
        from logscope.report.html import result_to_html

        text = result_to_html(self)
        if path is not None:
            write_output(path, text, HTML, self.capture.account.files, overwrite=overwrite)
        return text

    def to_markdown(self, path: Path | str | None = None, *, overwrite: bool = False) -> str:
        """A summary as Markdown, for a forum, a build log or a message.

        Parameters
        ----------
        path : path, optional
            Where to write it as well.
        overwrite : bool
            Also over a file that logscope did not write, or that was edited since; never over a log.

        Returns
        -------
        str

        Raises
        ------
        RequestError
            Where `path` must not be written over.
        """
        from logscope.outputs import MARKDOWN, write_output
        from logscope.report.markdown import result_to_markdown

        text = result_to_markdown(self)
        if path is not None:
            write_output(path, text, MARKDOWN, self.capture.account.files, overwrite=overwrite)
        return text

    def to_dataframe(self) -> pd.DataFrame:
        """The measured values as a table.

        Returns
        -------
        pandas.DataFrame
            One row a value: `finding` (its number), `kind`, `severity`, `start_s` and `end_s` [s], `name`, `value` with
            95 % limits `low` and `high` in `unit`, `expected_value` with `expected_low` and `expected_high`, `title`,
            `cause`.
        """
        from logscope.report.dataframe import result_to_dataframe

        return result_to_dataframe(self)

    def _repr_html_(self) -> str:
        from logscope.report.notebook import result_to_notebook

        return result_to_notebook(self)
