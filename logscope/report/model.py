"""What the page and the terminal show, in order and in words. Plain data; nothing is drawn here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from logscope.capture.frames import Account
from logscope.diagnosis.progress import progress
from logscope.findings import CAUTION_HV, Finding, Measured, NotChecked, Severity
from logscope.parts import part_title
from logscope.quantities import (
    clock_text,
    duration_text,
    expected_text,
    finite,
    grouped,
    limits_text,
    seconds_text,
    value_text,
)
from logscope.report.words import (
    cause_words,
    check_name,
    counted,
    flag_text,
    glossary_of,
    in_shown_unit,
    value_name,
)
from logscope.result import CaptureSummary, Result


@dataclass(frozen=True, slots=True)
class Verdict:
    """The outcome in a sentence, and what to do about it. `severity` is that of the worst finding."""

    severity: Severity
    headline: str
    advice: str


@dataclass(frozen=True, slots=True)
class ValueRow:
    """One measured value beside what was expected."""

    name: str
    value: str
    limits: str
    expected: str


@dataclass(frozen=True, slots=True)
class NumberedFinding:
    """A finding in the order of the report, its number and its texts."""

    number: int
    finding: Finding
    when: str
    clock: str
    cause: str
    values: tuple[ValueRow, ...]
    episodes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sum:
    """A sum that must close: `total` of `what` = the counts of `terms`."""

    what: str
    total: int
    terms: tuple[tuple[str, int], ...]

    @property
    def missing(self) -> int:
        """What the terms leave over; 0 where the sum closes."""
        return self.total - sum(count for _, count in self.terms)

    def text(self) -> str:
        """'12 frames = 9 decoded + 3 without a definition'."""
        terms = " + ".join(f"{grouped(count)} {name}" for name, count in self.terms)
        closing = f"; {grouped(abs(self.missing))} unaccounted for" if self.missing else ""
        return f"{grouped(self.total)} {self.what} = {terms}{closing}"


@dataclass(frozen=True, slots=True)
class PartRow:
    """Which signal played a part, and how it was sampled."""

    name: str
    source: str
    samples: str
    period: str
    note: str


def in_order(findings: Sequence[Finding]) -> list[Finding]:
    """Doubts of the mapping first, since whatever rests on it waits for them; then worst first, then by time."""
    return sorted(
        findings,
        key=lambda f: (not _in_doubt(f), -f.severity.rank, finite(f.start_s) is None, finite(f.start_s) or 0.0),
    )


def _in_doubt(finding: Finding) -> bool:
    """Whether a finding doubts what is mapped; readings that are merely left out wait their turn."""
    return finding.kind.startswith("mapping.") and finding.severity.rank >= Severity.WARNING.rank


def verdict(result: Result) -> Verdict:
    """Whether the next step may be taken, and what comes before it."""
    counts = Counter(finding.severity for finding in result.findings)
    worst = result.worst
    if not counts:
        return Verdict(
            Severity.INFO,
            "No verdict: this log gave no finding.",
            "Nothing was shown to be right or wrong. See below what could not be checked, and why.",
        )
    named = [s for s in (Severity.DANGER, Severity.WARNING) if counts[s]]
    if named:
        found = " and ".join(counted(counts[s], s) for s in named)
        if worst is Severity.DANGER:
            return Verdict(worst, "Do not power up again before each danger is fixed.", f"Found: {found}.")
        return Verdict(worst, "Fix before the next step.", f"Found: {found}, no danger.")
    ahead = progress(result.findings)
    covers = "This covers only what this log shows and what was checked."
    if ahead is None:
        return Verdict(worst, "No danger and no warning found.", covers)
    if ahead.missing:
        missing = f"Before {ahead.step}, record what this log does not show: {' and '.join(ahead.missing)}."
        return Verdict(Severity.INFO, "No danger and no warning found.", f"{missing} {covers}")
    hidden = "A log does not show insulation, mechanical safety or guards: check them as well."
    return Verdict(worst, f"Safe to go on to {ahead.step}, as far as this log shows.", f"{covers} {hidden}")


def number_findings(result: Result) -> list[NumberedFinding]:
    """The findings worst first, numbered from 1, with their values in words."""
    start = result.capture.start_utc
    return [
        NumberedFinding(
            number=number,
            finding=finding,
            when=seconds_text(finding.start_s, finding.end_s),
            clock=clock_text(start, finding.start_s),
            cause=cause_words(finding.kind, finding.cause),
            values=value_rows(finding),
            episodes=tuple(seconds_text(event.start_s, event.end_s) for event in finding.events),
        )
        for number, finding in enumerate(in_order(result.findings), start=1)
    ]


def cautions(result: Result) -> tuple[str, ...]:
    """Each caution of the findings once, those of the gravest first; then that of what an explanation asks to do."""
    said = [finding.caution for finding in in_order(result.findings) if finding.caution]
    asked = [action for each in result.explanations for action in each.actions]
    return tuple(dict.fromkeys([*said, *cautions_of(asked)]))


def cautions_of(actions: Sequence[str]) -> tuple[str, ...]:
    """The caution on high voltage, where an action speaks of what must be proven dead before."""
    return (CAUTION_HV,) if any("proven dead" in action for action in actions) else ()


def value_rows(finding: Finding) -> tuple[ValueRow, ...]:
    """Measured values with limits, each beside the expected one; what was only expected comes last."""
    rows = []
    for name in dict.fromkeys((*finding.measured, *finding.expected)):
        measured, expected = finding.measured.get(name), finding.expected.get(name)
        value = limits = ""
        if measured is not None:
            shown = in_shown_unit(name, measured)
            value, limits = flag_text(name, measured) or value_text(shown), limits_text(shown)
        wanted = expected_text(in_shown_unit(name, expected)) if expected is not None else ""
        rows.append(ValueRow(value_name(name), value, limits, wanted))
    return tuple(rows)


# What the table of all precharge attempts shows: the value's name and the column's heading.
ATTEMPT_VALUES = (
    ("time_constant_s", "Time constant"),
    ("start_voltage_V", "Start"),
    ("end_voltage_V", "Final voltage"),
    ("fraction_reached", "Reached"),
    ("close_difference_V", "Difference at closing"),
)
_NO_ATTEMPTS = ("precharge.drift",)


@dataclass(frozen=True, slots=True)
class AttemptRow:
    """One precharge attempt: the number of its finding, when, outcome, and its values in the table's order."""

    number: int
    when: str
    outcome: str
    values: tuple[str, ...]


def attempt_rows(numbered: Sequence[NumberedFinding]) -> tuple[AttemptRow, ...]:
    """All precharge attempts in order of time; none where there are fewer than two to compare."""
    attempts = [
        entry
        for entry in numbered
        if entry.finding.kind.startswith("precharge.") and entry.finding.kind not in _NO_ATTEMPTS
    ]
    if len(attempts) < 2:
        return ()
    attempts.sort(key=lambda entry: entry.finding.start_s)
    return tuple(
        AttemptRow(
            entry.number,
            entry.when,
            entry.finding.kind.removeprefix("precharge.").replace("_", " "),
            tuple(_attempt_value(entry.finding, name) for name, _ in ATTEMPT_VALUES),
        )
        for entry in attempts
    )


def _attempt_value(finding: Finding, name: str) -> str:
    measured = finding.measured.get(name)
    if measured is None or (finite(measured.value) is None and finite(measured.high) is None):
        return "–"
    shown = in_shown_unit(name, measured)
    limits = limits_text(shown)
    value = value_text(shown) if finite(measured.value) is not None else ""
    return f"{value} ({limits})" if value and limits else value or limits


def line_sum(account: Account) -> Sum:
    """lines = frames + lines of a serial console with samples, where there is one + comments, blanks + bad."""
    console = (("console lines with samples", account.sample_lines),) if account.sample_lines else ()
    terms = (("frames", account.frames), *console, ("comments or blank", account.other), ("bad", account.lines_bad))
    return Sum("lines or records", account.lines, terms)


def frame_sum(capture: CaptureSummary) -> Sum:
    """frames = decoded + without a definition + undecodable + error + remote."""
    terms = (
        ("decoded", capture.frames_decoded),
        ("without a definition", capture.frames_undefined),
        ("too short for their definition", capture.frames_undecodable),
        ("error frames", capture.account.error_frames),
        ("remote frames", capture.account.remote_frames),
    )
    return Sum("frames", capture.account.frames, terms)


def account_facts(capture: CaptureSummary) -> list[tuple[str, str]]:
    """What else the user should know of the log, as name and text; only counts above zero."""
    account = capture.account
    facts = [
        ("Signal values missing in frames that were too short", capture.samples_undecodable),
        ("Frames with an earlier timestamp than the frame before", account.out_of_order),
        ("Single timestamps far off, replaced by the one before", account.stamps_repaired),
        ("Dropped frames reported by the logger", account.lost),
        ("Restarts of a serial console's clock", account.resets),
    ]
    return [(name, grouped(count)) for name, count in facts if count]


def clock_steps(capture: CaptureSummary) -> list[str]:
    """The jumps of the logger's clock in words."""
    return [
        f"{abs(step):.3f} s {'back' if step < 0 else 'forward'} at {time:.3f} s" for time, step in capture.time_steps
    ]


def part_rows(result: Result) -> list[PartRow]:
    """Every mapped part with its signal, its samples, and the reason where it has none."""
    logged = result.logged
    names = dict.fromkeys((*result.sources, *logged.parts, *logged.empty))
    rows = []
    for name in names:
        part = logged.get(name)
        period = finite(part.period_s) if part is not None else None
        rows.append(
            PartRow(
                name=part_title(name),
                source=result.sources.get(name) or (part.source if part is not None else ""),
                samples=grouped(int(part.time_s.size)) if part is not None else "0",
                period="" if period is None else value_text(Measured(period, "s")),
                note=logged.empty.get(name) or ("in doubt: see above" if name in logged.doubtful else ""),
            )
        )
    return rows


def not_checked_rows(items: Sequence[NotChecked]) -> list[tuple[str, tuple[str, ...]]]:
    """The reasons gathered by check, each once."""
    gathered: dict[str, dict[str, None]] = {}
    for item in items:
        gathered.setdefault(item.check, {})[item.reason] = None
    return [(check_name(check), tuple(reasons)) for check, reasons in gathered.items()]


def glossary(result: Result, numbered: Sequence[NumberedFinding]) -> list[tuple[str, str]]:
    """The abbreviations the page uses, with their meanings."""
    parts = result.logged.parts
    texts = [part_title(name) for name in parts]
    texts += [part.unit for part in parts.values()]
    for entry in numbered:
        f = entry.finding
        texts += [f.title, f.explanation, f.method, f.next_step, f.caution, entry.clock]
        texts += [text for row in entry.values for text in (row.name, row.value, row.limits, row.expected)]
        texts += [curve.label for curve in f.evidence.curves]
        texts += [mark.label for mark in f.evidence.marks]
        texts += [level.label for level in f.evidence.levels]
        texts += [text for x in f.evidence.charts for text in (x.x_name, x.x_unit, x.y_name, x.y_unit, x.folded)]
        texts += [series.label for chart in f.evidence.charts for series in chart.series]
        texts += ["95 % interval"] if any(row.limits for row in entry.values) else []
    texts += [item.reason for item in result.not_checked]
    return glossary_of(texts)


def capture_facts(result: Result) -> list[tuple[str, str]]:
    """The head of the report: whose log this is, when it starts and how long it lasts."""
    capture = result.capture
    start = capture.start_utc
    day = f"{start:%Y-%m-%d} " if start is not None else ""
    return [
        ("Vehicle", result.vehicle_name),
        ("Start", f"{day}{clock_text(start, 0.0)}" if start is not None else "the log has no date"),
        ("Length", duration_text(capture.duration_s)),
        ("Frames", grouped(capture.account.frames)),
    ]
