"""A comparison in words: verdicts, values and effects as terminal and page show them."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.comparison.outcome import ComparedMeasure, Comparison, Exposure, Verdict
from logscope.findings import Measured, Severity
from logscope.quantities import finite, limits_text, value_text, with_unit

VERDICT_WORDS = {
    Verdict.BETTER: "better",
    Verdict.WORSE: "worse",
    Verdict.NO_DIFFERENCE: "no difference shown",
    Verdict.NOT_COMPARABLE: "not comparable",
}
HEADLINES = {
    Verdict.BETTER: "Better than before.",
    Verdict.WORSE: "Worse than before.",
    Verdict.NO_DIFFERENCE: "No difference shown.",
    Verdict.NOT_COMPARABLE: "The two sides cannot be compared.",
}
# The marks of severities serve for verdicts: a change for the worse needs looking into, an open question is noted.
VERDICT_SEVERITY = {
    Verdict.BETTER: Severity.GOOD,
    Verdict.WORSE: Severity.WARNING,
    Verdict.NO_DIFFERENCE: Severity.INFO,
    Verdict.NOT_COMPARABLE: Severity.INFO,
}
CAUTION = (
    "A comparison of two logs never replaces insulation and continuity tests, and a lower rate does not prove that "
    "the fault is gone."
)


@dataclass(frozen=True, slots=True)
class MeasureRow:
    """One measure as text. effect, limits : of the change; exposure : what it rests on, one line each."""

    title: str
    verdict: str
    severity: str
    before: str
    after: str
    effect: str
    limits: str
    chance: str
    reason: str
    exposure: tuple[str, ...]


def rows(comparison: Comparison) -> list[MeasureRow]:
    """All measures that have something to show, those that changed first."""
    order = list(VERDICT_WORDS)
    order.sort(key=[Verdict.WORSE, Verdict.BETTER, Verdict.NO_DIFFERENCE, Verdict.NOT_COMPARABLE].index)
    listed = [measure for measure in comparison.measures if not _is_bare(measure)]
    return [_row(measure) for verdict in order for measure in listed if measure.verdict is verdict]


def not_compared(comparison: Comparison) -> list[tuple[str, tuple[str, ...]]]:
    """Measures without a value to compare, gathered by the reason."""
    gathered: dict[str, list[str]] = {}
    for measure in filter(_is_bare, comparison.measures):
        gathered.setdefault(measure.reason, []).append(measure.title)
    return [(reason, (titles[0], *map(_inner, titles[1:]))) for reason, titles in gathered.items()]


def _inner(title: str) -> str:
    """A title as it stands within a list; what begins with an abbreviation stays."""
    return title[:1].lower() + title[1:] if title[1:2].islower() else title


def _is_bare(measure: ComparedMeasure) -> bool:
    return measure.verdict is Verdict.NOT_COMPARABLE and measure.effect is None


def _row(measure: ComparedMeasure) -> MeasureRow:
    effect, limits = effect_texts(measure)
    return MeasureRow(
        title=measure.title,
        verdict=VERDICT_WORDS[measure.verdict],
        severity=VERDICT_SEVERITY[measure.verdict].value,
        before=level_text(measure.before),
        after=level_text(measure.after),
        effect=effect,
        limits=limits,
        chance="" if measure.p_adjusted is None else chance_text(measure.p_adjusted),
        reason=measure.reason,
        exposure=exposure_texts(measure.exposure),
    )


def level_text(measured: Measured | None) -> str:
    """A value with its limits in brackets; empty where there is none."""
    if measured is None or finite(measured.value) is None:
        return ""
    limits = limits_text(measured)
    return f"{value_text(measured)} ({limits})" if limits else value_text(measured)


def effect_texts(measure: ComparedMeasure) -> tuple[str, str]:
    """The effect and its limits: '× 0.50' and '0.40 to 0.62', or a difference with its unit."""
    effect = measure.effect
    if effect is None:
        return "", ""
    if not measure.is_ratio:
        sign = "+" if (effect.value or 0.0) > 0 else ""
        return f"{sign}{value_text(effect)}", limits_text(effect)
    value = "none before" if finite(effect.value) is None else f"× {effect.value:.2f}"
    if effect.value is None and effect.low == 0.0:
        value = "–"
    low = 0.0 if effect.low is None else effect.low
    limits = f"at least × {low:.2f}" if effect.high is None else f"× {low:.2f} to × {effect.high:.2f}"
    return value, "" if effect.high is None and not low else limits


def chance_text(p_adjusted: float) -> str:
    """The probability of as much by chance alone, corrected for all measures."""
    return "< 0.001" if p_adjusted < 0.001 else f"{p_adjusted:.2g}"


def exposure_texts(exposure: Exposure | None) -> tuple[str, ...]:
    """What each side contributes."""
    if exposure is None:
        return ()
    texts = []
    for index, side in enumerate(("before", "after")):
        count = f"{exposure.counts[index]:.0f}"
        if exposure.shared_min and exposure.all_min:
            shared, whole = (with_unit(f"{pair[index]:.1f}", "min") for pair in (exposure.shared_min, exposure.all_min))
            text = f"{side}: {count} in {shared} at similar speed and load, of {whole} driven"
        elif exposure.all_min:
            text = f"{side}: judged by {with_unit(f'{exposure.all_min[index]:.1f}', 'min')} of driving"
        else:
            text = f"{side}: measured {'once' if count == '1' else f'{count} times'}"
        texts.append(text)
    return tuple(texts)
