"""From weighed measures to verdicts: Holm's correction, the words, and the verdict on the whole."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from logscope.comparison.outcome import ComparedMeasure, Verdict
from logscope.comparison.weighed import Weighed
from logscope.measures import EventRate
from logscope.statistics.holm import holm

LEVEL = 0.05  # chance of any wrong claim over all measures


def judge(weighed: Sequence[Weighed]) -> tuple[ComparedMeasure, ...]:
    """Every measure with its verdict."""
    tested = [one for one in weighed if one.p_value is not None]
    adjusted = dict(zip(map(id, tested), holm([one.p_value or 0.0 for one in tested]), strict=True))
    return tuple(_judged(one, adjusted.get(id(one))) for one in weighed)


def _judged(one: Weighed, adjusted: float | None) -> ComparedMeasure:
    if one.p_value is None or adjusted is None:
        verdict, reason = Verdict.NOT_COMPARABLE, one.reason
    elif adjusted < LEVEL:
        verdict, reason = one.if_shown, one.reason
    else:
        verdict = Verdict.NO_DIFFERENCE
        reason = f"{one.reason} {_what_could_be_shown(one)}".strip()
    return ComparedMeasure(
        name=one.measure.name,
        title=one.measure.title,
        unit=one.measure.unit,
        verdict=verdict,
        reason=reason,
        before=one.before,
        after=one.after,
        effect=one.effect,
        p_value=one.p_value,
        p_adjusted=adjusted,
        exposure=one.exposure,
        could_show=one.could_show,
        more_min=one.more_min,
    )


def _what_could_be_shown(one: Weighed) -> str:
    """For a difference that was not shown: how large one would have been, and how much more driving it takes."""
    if not isinstance(one.measure, EventRate):
        return ""
    rose = one.effect is not None and (one.effect.value is None or one.effect.value > 1.0) and one.effect.low != 0.0
    if rose and one.could_show is None:
        return "The 95 % interval includes “no change”: record more of the same driving."
    if one.more_min == inf and one.could_show is None:
        return (
            "With so few events before the change not even a fall to zero can be shown, however long the driving "
            "after it. Record longer before the next change."
        )
    could = "This driving is too short to show any fall."
    if one.could_show is not None:
        could = (
            f"This driving would have shown a fall to {100 * one.could_show:.0f} % of the rate or less in nine of "
            "ten cases."
        )
    if one.more_min == inf:
        return (
            f"{could} More driving after the change cannot show a halving, because the recording before it is too "
            "short. Record longer before the next change."
        )
    if one.more_min is None or one.more_min <= 0:
        return could
    return f"{could} About {_rounded(one.more_min)} min more of the same driving after the change would show a halving."


def _rounded(minutes: float) -> str:
    return f"{minutes:.0f}" if minutes >= 10 else f"{max(minutes, 0.1):.1f}"  # never "0.0"


def whole(measures: Sequence[ComparedMeasure]) -> tuple[Verdict, str]:
    """The verdict on all measures and the reason in words: what got worse decides, then what got better."""
    measured = [measure for measure in measures if _on_both_sides(measure)]
    by_verdict = {v: [m.title[0].lower() + m.title[1:] for m in measured if m.verdict is v] for v in Verdict}
    better, worse = by_verdict[Verdict.BETTER], by_verdict[Verdict.WORSE]
    open_ = by_verdict[Verdict.NOT_COMPARABLE]
    rest = f" Not comparable: {_listed(open_)}." if open_ else ""
    if worse:
        also = f" Better: {_listed(better)}." if better else ""
        return Verdict.WORSE, f"Worse: {_listed(worse)}.{also}{rest}"
    if better:
        return Verdict.BETTER, f"Better: {_listed(better)}.{rest}"
    if by_verdict[Verdict.NO_DIFFERENCE]:
        return Verdict.NO_DIFFERENCE, f"Compared: {_listed(by_verdict[Verdict.NO_DIFFERENCE])}.{rest}"
    reasons = dict.fromkeys(m.reason for m in measures)
    return Verdict.NOT_COMPARABLE, " ".join(reasons) or "There is nothing to compare."


def _on_both_sides(measure: ComparedMeasure) -> bool:
    """Whether it was measured at all before and after; a rate is, wherever there was driving."""
    exposure = measure.exposure
    return exposure is None or exposure.all_min is not None or min(exposure.counts) > 0


def _listed(titles: Sequence[str]) -> str:
    return ", ".join(titles)
