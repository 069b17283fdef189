"""Findings on what the run was given, as far as they are no matter of a signal: the definitions."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from logscope.checks.assemble import assemble
from logscope.checks.wording import Words
from logscope.definitions.skipped import Skipped
from logscope.findings import Finding, Measured, Severity

_LISTED = 5  # places named in the explanation; enough to begin with, short enough to read


def definition_skipped(skipped: Sequence[Skipped], mapped: Collection[tuple[str, str]]) -> list[Finding]:
    """One finding on all places of the definition files that could not be taken as they stand, or none.

    mapped : (message, signal) of every signal that plays a part. A warning where the values of one of them
    are in doubt, and those places are listed first; else only information.
    """
    if not skipped:
        return []
    doubted = [place for place in skipped if any(place.concerns(*signal) for signal in mapped)]
    listed = [*doubted, *(place for place in skipped if place not in doubted)]
    kept = sum(place.kept for place in skipped)
    words = Words(
        title=f"{_places(len(skipped))} in the signal definitions cannot be used as written",
        explanation=_explanation(listed, kept, len(doubted)),
        next_step=(
            "Correct the definition file at these lines"
            + (", those of mapped signals first: until then their values are doubtful." if doubted else ".")
        ),
        hands_near_hv=False,
    )
    return [
        assemble(
            "capture.definition_skipped",
            Severity.WARNING if doubted else Severity.INFO,
            words,
            [(0.0, 0.0)],
            {
                "count": Measured(float(len(skipped)), ""),
                "left_out": Measured(float(len(skipped) - kept), ""),
                "mapped": Measured(float(len(doubted)), ""),
            },
            (),
        )
    ]


def _explanation(listed: Sequence[Skipped], kept: int, doubted: int) -> str:
    lost = len(listed) - kept
    said = f"{lost} left out, {kept} used as described here. " if lost and kept else ""
    said = said or ("All are left out. " if lost else "All are used as described here. ")
    said += f"{doubted} affect{'s' * (doubted == 1)} a mapped signal. " if doubted else "None affects a mapped signal. "
    places = "; ".join(map(_described, listed[:_LISTED]))
    more = len(listed) - _LISTED
    return said + places + (f"; and {more} more." if more > 0 else ".")


def _described(place: Skipped) -> str:
    text = f" “{place.text}”" if place.text else ""
    return f"{place.where}{text}: {place.reason}"


def _places(count: int) -> str:
    return "One place" if count == 1 else f"{count} places"
