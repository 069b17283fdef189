"""The encoder check: is the motor speed a speed that the shaft can have had?"""

from __future__ import annotations

from math import sqrt

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.encoder.disturbance_chart import rate_chart
from logscope.checks.encoder.disturbance_load import LoadRelation, load_relation, running_rate
from logscope.checks.encoder.disturbance_switching import followed_switching
from logscope.checks.encoder.speed_ripple import beyond_ripple, ripple
from logscope.checks.encoder.speed_scale import scale
from logscope.checks.encoder.text import (
    KINDS,
    NEXT_STEPS,
    NEXT_STEPS_HOLD,
    NEXT_STEPS_SWITCHING,
    PRACTICE,
    company_in_words,
    floor_in_words,
    how_judged,
    limits_in_words,
    noise_title,
    relation_in_words,
    relation_method,
    slow_in_words,
    switching_in_words,
)
from logscope.checks.encoder.wrong_findings import wrong_findings
from logscope.checks.wording import Words
from logscope.findings import Event, Evidence, Finding, Mark, Measured, Severity
from logscope.observations.motor_speed.disturbances import Disturbance, SpeedAnalysis
from logscope.observations.observations import Observations
from logscope.quantities import quantity_text, value_text
from logscope.signals import Signals
from logscope.vehicle import Vehicle

_MARKS_AT_MOST = 20  # a chart with more is a thicket; `events` has them all
# Bursts of interference and losses of the speed last up to that (common practice, no published source); readings that
# come so often are by a fifth farther apart where a bus is busy.
_LONGEST_DISTURBANCE_S, _UNEVEN = 0.1, 1.2
_CHARTED = ("motor_speed", "motor_current", "torque")


def encoder(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Findings on `motor_speed`: one for each kind of disturbance, noise, ripple, scale, or that it is clean.

    Raises MissingPart where no signal plays motor_speed.
    """
    speed, wrong = signals["motor_speed"], observations.speed
    if wrong is None:
        return [_undetermined(signals, f"samples of the motor speed in the log: only {speed.time_s.size}", "")]
    study = wrong.study
    rippling = ripple(signals, study)
    study = beyond_ripple(study) if rippling else study
    lasting = [*wrong_findings(signals, wrong), *scale(signals, vehicle, study), *rippling]
    if not study.disturbances:
        alone = [] if lasting else [_without_disturbance(signals, study)]
        return [*alone, *lasting]
    relation = load_relation(study, signals)
    found = [_disturbed(signals, study, kind, relation) for kind in KINDS if _of_kind(study, kind)]
    return [*found, _noise(signals, study, relation), *lasting]


def _of_kind(study: SpeedAnalysis, kind: str) -> tuple[Disturbance, ...]:
    return tuple(each for each in study.disturbances if each.kind == kind)


def _parts(signals: Signals) -> tuple[str, ...]:
    return tuple(part for part in _CHARTED if part in signals)


def _disturbed(signals: Signals, study: SpeedAnalysis, kind: str, relation: LoadRelation | None) -> Finding:
    episodes = _of_kind(study, kind)
    time = study.speed.time_s
    one, many = KINDS[kind]
    worst = max(episodes, key=lambda each: each.deviation_rpm)
    events = tuple(Event(float(time[each.first]), float(time[each.after])) for each in episodes)
    rate, lasted = running_rate(study, episodes), _duration(study, episodes)
    deviation = _deviation(study, worst)
    most = value_text(deviation)
    marks = tuple(Mark(event.start_s, one) for event in events[:_MARKS_AT_MOST])
    return assemble(
        f"encoder.{kind}",
        Severity.WARNING,
        Words(
            f"Motor speed: 1 {one} of {most}"
            if len(episodes) == 1
            else f"Motor speed: {len(episodes)} {many}, up to {most}",
            f"{quantity_text(rate)} while turning, {quantity_text(lasted)} in all. For what they depend on, see the "
            "finding on all disturbances together.",
            NEXT_STEPS_HOLD if kind == "hold" else NEXT_STEPS,
            method=" ".join(filter(None, (how_judged(study, kind), relation_method(relation), PRACTICE))),
        ),
        [(each.start_s, each.end_s) for each in events],
        {
            "count": Measured(float(len(episodes)), ""),
            "peak_deviation_rpm": deviation,
            "duration_s": lasted,
            "rate_per_min": rate,
        },
        _parts(signals),
        signals,
        evidence=Evidence(marks=marks),
        expected={"peak_deviation_rpm": Measured(None, "rpm", None, study.model.smallest_seen_rpm)},
        counted=True,
    )


def _deviation(study: SpeedAnalysis, worst: Disturbance) -> Measured:
    """How far off it was; uncertain by what quantum, noise and a turning shaft do within the episode."""
    time, model = study.speed.time_s, study.model
    away_s = float(time[worst.after] - time[worst.before])
    moved = float(abs(study.speed.value[worst.after] - study.speed.value[worst.before]))
    known_to = min(moved, model.slew_rpm_per_s * away_s) + model.reach.slack
    low = max(0.0, worst.deviation_rpm - known_to)
    return Measured(worst.deviation_rpm, "rpm", low, worst.deviation_rpm + known_to)


def _duration(study: SpeedAnalysis, episodes: tuple[Disturbance, ...]) -> Measured:
    """Total time disturbed: between the first bad sample and the next good one, as the sampling bounds it."""
    time = study.speed.time_s
    before, first, last, after = (
        time[[getattr(each, name) for each in episodes]] for name in ("before", "first", "last", "after")
    )
    return Measured(float(np.sum(after - first)), "s", float(np.sum(last - first)), float(np.sum(after - before)))


def _noise(signals: Signals, study: SpeedAnalysis, relation: LoadRelation | None) -> Finding:
    """All disturbances together: their rate, the noise beside them, and what they follow."""
    rate = running_rate(study, study.disturbances)
    electrical = relation is not None and relation.electrical
    switching = followed_switching(study, signals)
    followed = switching_in_words(switching) or relation_in_words(study, relation)
    floor = _floor(study)
    measured = {"rate_per_min": rate, "floor_rpm": floor}
    ratio = {"rate_ratio_per_100A": Measured(None, "") if relation is None else relation.measured()}
    measured = ratio | measured if electrical else measured | ratio  # what the title speaks of comes first
    if switching is not None:
        measured = {"rate_ratio_at_switching": switching.measured()} | measured
    return assemble(
        "encoder.noise",
        Severity.WARNING if electrical or switching else Severity.INFO,
        Words(
            noise_title(quantity_text(rate), electrical=electrical, switching=switching),
            followed,
            NEXT_STEPS if switching is None else f"{NEXT_STEPS_SWITCHING} {NEXT_STEPS}",
            method=(
                f"{relation_method(relation)}{company_in_words(relation)} Between the disturbances the reading "
                "scatters by "
                f"{floor_in_words(floor)} (standard deviation, from second differences). {PRACTICE}".strip()
            ),
        ),
        [(float(study.speed.time_s[0]), float(study.speed.time_s[-1]))],
        measured,
        _parts(signals),
        signals,
        evidence=Evidence(charts=(rate_chart(relation.bins, relation.law),) if relation and relation.bins else ()),
    )


def _floor(study: SpeedAnalysis) -> Measured:
    """The noise; a coarse quantum hides what is smaller than its own rounding error."""
    rounding, noise = study.model.quantum_rpm / sqrt(12.0), study.model.noise_rpm
    return Measured(0.0, "rpm", None, rounding) if noise < rounding else Measured(noise, "rpm")


def _without_disturbance(signals: Signals, study: SpeedAnalysis) -> Finding:
    speed, model = study.speed, study.model
    if not model.running_s:
        return _undetermined(
            signals,
            "the motor never turned, and at rest a dead encoder and a working one look alike",
            "Record a spin with the wheels off the ground, or a drive.",
        )
    if model.update_s > _UNEVEN * _LONGEST_DISTURBANCE_S:
        return _undetermined(
            signals,
            f"readings come {model.update_s * 1e3:.3g} ms apart, and most disturbances are over within "
            f"{_LONGEST_DISTURBANCE_S * 1e3:.0f} ms: they fall between two readings",
            "Record the motor speed every 10 ms.",
        )
    top = float(np.max(np.abs(speed.value)))
    if model.smallest_seen_rpm >= top:
        enough = max(top - model.reach.slack, 0.0) / 4.0 / model.slew_rpm_per_s
        wanted = f"every {enough * 1e3:.2g} ms" if enough > 0 else "with a finer step and less noise"
        return _undetermined(
            signals,
            f"between samples {model.update_s * 1e3:.3g} ms apart the shaft itself may change by "
            f"{model.smallest_seen_rpm:.0f} rpm ({model.slew_origin}), and the speed never exceeds {top:.0f} rpm",
            f"Record the motor speed {wanted}.",
        )
    return assemble(
        "encoder.clean",
        Severity.GOOD,
        Words(
            f"Motor speed: no disturbance above {model.smallest_seen_rpm:.0f} rpm",
            (
                f"Smaller disturbances, and those between two samples, {model.update_s * 1e3:.3g} ms apart, are not "
                f"seen.{slow_in_words(model)}"
            ),
            "Nothing to do. Check again under full current, where interference is strongest.",
            hands_near_hv=False,
            method=f"Valid at a steady speed. {limits_in_words(model)}",
        ),
        [(float(speed.time_s[0]), float(speed.time_s[-1]))],
        {
            "floor_rpm": _floor(study),
            "smallest_seen_rpm": Measured(model.smallest_seen_rpm, "rpm"),
            "smallest_seen_free_rpm": Measured(model.smallest_seen_free_rpm, "rpm"),
            "rate_per_min": running_rate(study, ()),
        },
        _parts(signals),
        signals,
    )


def _undetermined(signals: Signals, reason: str, do: str) -> Finding:
    return assemble(
        "encoder.undetermined",
        Severity.INFO,
        Words(
            "Motor speed: disturbances cannot be determined from this log",
            f"{reason[:1].upper()}{reason[1:]}.",
            do or "Record the motor speed for some seconds while it turns.",
            hands_near_hv=False,
        ),
        [(signals.start_s, signals.end_s)],
        {},
        _parts(signals),
        signals,
    )
