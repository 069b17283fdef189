"""Findings against truth: which claim belongs to which event, and what is left over on either side.

A claim matches an event of its kind if their spans, widened by the tolerance, overlap. The tolerance is
0.15 s, which is the worst lag of a state in the layouts (80 ms) with the longest rise that a check may put to
one side or the other, and two sample periods more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf

from logscope.findings import Finding, Measured, Severity
from logscope.simulate.truth import TruthEvent

TOLERANCE_S = 0.15
# Verdicts on a whole log; like everything that only informs, they claim no event. What is undetermined is
# counted where an event was missed.
ALL_CLEAR = {"encoder.clean": "encoder", "trip.none": "trip", "contactor.sound": "contactor"}
_NO_CLAIM = {*ALL_CLEAR, "bus.load", "encoder.noise", "cooling.motor", "cooling.inverter"}
_SUMS_UP = ("aux.",)  # of these kinds a good one sums up a whole log as well
# Of these the simulator states no truth; only in a sound drive are they scored, as alarms.
WITHOUT_TRUTH = (
    "battery.", "current_control.", "driveline.", "machine.", "regeneration.", "throttle.", "precharge.drift",
    "precharge.resistor_stress", "trip.near", "trip.pattern",
)  # fmt: skip
# What speaks of the log or its definitions, and the dirt that bears it out (the beginning of its name).
_EXPLAINED = {
    "mapping.no_value": ("no value", "boot-up", "restart", "zero until"),
    "mapping.waking": ("boot-up", "restart", "zero until", "silent until"),
    "bus.": ("two contents", "restart"),
    "capture.": ("two contents", "restart"),
}
# What informs and yet says how something ended.
_CLAIMS = frozenset({"charge.stopped"})
# What merely states that samples are beyond a limit of the vehicle file is true wherever it is said.
FACTS = ("limits.",)


@dataclass(frozen=True)
class Claim:
    """One episode that a finding claims."""

    kind: str
    severity: Severity
    start_s: float
    end_s: float
    cause: str | None
    measured: dict[str, Measured]
    title: str = ""


@dataclass(frozen=True)
class Outcome:
    """A run's matches.

    matched : pairs of event and claim of one kind
    renamed : events that only a claim of another kind of the same part was near to
    undetermined : events near which something was said to be undetermined; missed : all other events
    misnamed : claims near an event of the same part but of another kind; false : claims near none
    beyond : claims of kinds of which there is no truth
    """

    matched: list[tuple[TruthEvent, Claim]]
    renamed: list[TruthEvent]
    undetermined: list[TruthEvent]
    missed: list[TruthEvent]
    misnamed: list[Claim]
    false: list[Claim]
    beyond: list[Claim]


def claims_of(findings: Iterable[Finding]) -> list[Claim]:
    """The episodes of all findings, one by one."""
    claims = []
    for f in findings:
        undetermined = f.kind.endswith(".undetermined")
        if f.kind.startswith(_SUMS_UP) and f.severity is Severity.GOOD:
            continue
        claims_nothing = f.severity is Severity.INFO and not undetermined and f.kind not in _CLAIMS
        if f.kind in _NO_CLAIM or f.kind.startswith(FACTS) or claims_nothing:
            continue
        spans = [(event.start_s, event.end_s) for event in f.events] or [(f.start_s, f.end_s)]
        # A wrong pulse count that is a factor of two is a slip of the mapping for all that a log can show.
        kind = "encoder.scale" if f.kind == "mapping.scale" and "motor_speed" in f.parts else f.kind
        claims += [Claim(kind, f.severity, *span, f.cause, dict(f.measured), f.title) for span in spans]
    return claims


def match(
    truth: Sequence[TruthEvent],
    findings: Iterable[Finding],
    period_s: float,
    dirt: Sequence[str] = (),
    unshown: Sequence[TruthEvent] = (),
) -> Outcome:
    """Match one to one, the nearest beginnings first; `dirt` names what the logger did.

    unshown : what happened and cannot be decided: it need not be found, and what names it all the same is left out
    """
    tolerance_s = TOLERANCE_S + 2 * period_s
    claims = [claim for claim in claims_of(findings) if not _explained(claim, dirt)]
    claims = [c for c in claims if not any(e.kind == c.kind and _near(e, c, tolerance_s) for e in unshown)]
    unsure = [c for c in claims if c.kind.endswith(".undetermined")]
    beyond = [c for c in claims if c.kind.startswith(WITHOUT_TRUTH) and c not in unsure]
    claims = [c for c in claims if c not in unsure and c not in beyond]
    pairs = sorted(
        (abs(event.start_s - claim.start_s), i, j)
        for i, event in enumerate(truth)
        for j, claim in enumerate(claims)
        if event.kind == claim.kind and _near(event, claim, tolerance_s)
    )
    taken_events: set[int] = set()
    taken_claims: set[int] = set()
    matched = []
    for _, i, j in pairs:
        if i not in taken_events and j not in taken_claims:
            taken_events.add(i)
            taken_claims.add(j)
            matched.append((truth[i], claims[j]))
    left = [event for i, event in enumerate(truth) if i not in taken_events]
    spare = [claim for j, claim in enumerate(claims) if j not in taken_claims]

    def beside(event: TruthEvent, several: Iterable[Claim]) -> bool:
        return any(_same_topic(event, c) and _near(event, c, tolerance_s) for c in several)

    renamed = [e for e in left if beside(e, spare)]
    open_ = [e for e in left if e not in renamed and beside(e, unsure)]
    misnamed = [c for c in spare if any(_same_topic(e, c) and _near(e, c, tolerance_s) for e in truth)]
    return Outcome(
        matched,
        renamed,
        open_,
        [event for event in left if event not in renamed and event not in open_],
        misnamed,
        [claim for claim in spare if claim not in misnamed],
        beyond,
    )


def wrong_all_clears(
    truth: Sequence[TruthEvent], findings: Iterable[Finding], unshown: Sequence[TruthEvent] = ()
) -> dict[str, bool]:
    """For each verdict that all is well, whether it was wrong.

    Of what cannot be decided, an event that lasted longer than the shortest that a verdict claims to show makes it so.
    """
    happened = {event.kind.split(".")[0] for event in truth}

    def wrong(finding: Finding) -> bool:
        shortest = finding.measured.get("shortest_dropout_s")
        limit_s = inf if shortest is None or shortest.value is None else shortest.value
        topic = ALL_CLEAR[finding.kind]
        longer = (e for e in unshown if e.kind.startswith(f"{topic}.") and e.end_s - e.start_s > limit_s)
        return topic in happened or any(longer)

    return {f.kind: wrong(f) for f in findings if f.kind in ALL_CLEAR}


def _explained(claim: Claim, dirt: Sequence[str]) -> bool:
    """Whether a claim about the log is borne out by what the logger did."""
    causes = next((each for kind, each in _EXPLAINED.items() if claim.kind.startswith(kind)), ())
    return any(name.startswith(cause) for name in dirt for cause in causes)


def _near(event: TruthEvent, claim: Claim, tolerance_s: float) -> bool:
    return event.start_s - tolerance_s <= claim.end_s and claim.start_s <= event.end_s + tolerance_s


def _same_topic(event: TruthEvent, claim: Claim) -> bool:
    return event.kind.split(".")[0] == claim.kind.split(".")[0]
