"""The encoder check: is the motor speed a speed that the shaft can have had?"""

from __future__ import annotations

from math import sqrt

import numpy as np

from logscope.checks.beyond_ripple import beyond_ripple
from logscope.checks.disturbance_chart import rate_chart
from logscope.checks.disturbance_load import LoadRelation, load_relation, running_rate
from logscope.checks.speed_disturbance import Disturbance, SpeedStudy, study_speed
from logscope.checks.speed_model import SpeedModel
from logscope.checks.speed_ripple import ripple
from logscope.checks.speed_scale import scale
from logscope.findings import CAUTION_HV, Event, Evidence, Finding, Mark, Measured, Severity
from logscope.signals import Signals
from logscope.vehicle import Vehicle

_KINDS = {  # kind: what it is in words, one and many
    "spike": ("spike", "spikes"),
    "dropout": ("dropout", "dropouts"),
    "reversal": ("reversal of sign", "reversals of sign"),
    "burst": ("burst of disturbances", "bursts of disturbances"),
    "hold": ("frozen reading", "frozen readings"),
}
_LONG_S = 0.1  # a reading lost for longer is no interference, which comes and goes within some 10 ms (practice)
_MARKS_AT_MOST = 20  # a chart with more is a thicket; `events` has them all
_CHARTED = ("motor_speed", "motor_current", "torque")
_NEXT_STEPS = (
    "With the power off and the link proven dead, look at the encoder's wiring (common practice, no "
    "published source): screened twisted pairs, the screen carried through every connector and bonded as "
    "the makers of encoder and inverter say, the cable away from the phase cables and crossing them at "
    "right angles, connector pins, the encoder's supply and ground. Then record the same drive again and "
    "compare the rates."
)
_NEXT_STEPS_HOLD = (
    "Find out whether the encoder or the message stopped: look for a gap in the inverter's other messages "
    "at the same moments, and check the bus load. If they went on, look at the encoder's connector and "
    "supply, with the power off."
)


def encoder(signals: Signals, vehicle: Vehicle) -> list[Finding]:
    """Findings on `motor_speed`: one for each kind of disturbance, noise, ripple, scale, or that it is clean.

    Raises MissingPart where no signal plays motor_speed.
    """
    speed = signals["motor_speed"]
    study = study_speed(speed, vehicle, signals.get("torque"), signals.get("vehicle_speed"))
    if study is None:
        return [_undetermined(signals, f"it holds only {speed.time_s.size} samples of the motor speed", "")]
    rippling = ripple(signals, study)
    study = beyond_ripple(study) if rippling else study
    lasting = [*scale(signals, vehicle, study), *rippling]
    if not study.disturbances:
        alone = [] if lasting else [_without_disturbance(signals, study)]
        return [*alone, *lasting]
    relation = load_relation(study, signals.get("motor_current"))
    found = [_disturbed(signals, study, kind, relation) for kind in _KINDS if _of_kind(study, kind)]
    return [*found, _noise(signals, study, relation), *lasting]


def _of_kind(study: SpeedStudy, kind: str) -> tuple[Disturbance, ...]:
    return tuple(each for each in study.disturbances if each.kind == kind)


def _parts(signals: Signals) -> tuple[str, ...]:
    return tuple(part for part in _CHARTED if part in signals)


def _disturbed(signals: Signals, study: SpeedStudy, kind: str, relation: LoadRelation | None) -> Finding:
    episodes = _of_kind(study, kind)
    time = study.speed.time_s
    one, many = _KINDS[kind]
    worst = max(episodes, key=lambda each: each.deviation_rpm)
    events = tuple(Event(float(time[each.first]), float(time[each.after])) for each in episodes)
    rate = running_rate(study, episodes)
    marks = tuple(Mark(event.start_s, one) for event in events[:_MARKS_AT_MOST])
    return Finding(
        kind=f"encoder.{kind}",
        severity=Severity.WARNING,
        start_s=events[0].start_s,
        end_s=events[-1].end_s,
        title=f"{len(episodes)} {one if len(episodes) == 1 else many} in the motor speed",
        explanation=" ".join((_how_judged(study, kind), _relation_in_words(study, relation))),
        next_step=_NEXT_STEPS_HOLD if kind == "hold" else _NEXT_STEPS,
        caution=CAUTION_HV,
        parts=_parts(signals),
        measured={
            "count": Measured(float(len(episodes)), ""),
            "peak_deviation_rpm": _deviation(study, worst),
            "duration_s": _duration(study, episodes),
            "rate_per_min": rate,
        },
        expected={"peak_deviation_rpm": Measured(None, "rpm", None, study.model.smallest_seen_rpm)},
        events=events,
        evidence=Evidence(marks=marks),
    )


def _deviation(study: SpeedStudy, worst: Disturbance) -> Measured:
    """How far off it was; uncertain by what quantum, noise and a turning shaft do within the episode."""
    time, model = study.speed.time_s, study.model
    away_s = float(time[worst.after] - time[worst.before])
    moved = float(abs(study.speed.value[worst.after] - study.speed.value[worst.before]))
    known_to = min(moved, model.slew_rpm_per_s * away_s) + model.reach.slack
    low = max(0.0, worst.deviation_rpm - known_to)
    return Measured(worst.deviation_rpm, "rpm", low, worst.deviation_rpm + known_to)


def _duration(study: SpeedStudy, episodes: tuple[Disturbance, ...]) -> Measured:
    """Total time disturbed: between the first bad sample and the next good one, as the sampling bounds it."""
    time = study.speed.time_s
    before, first, last, after = (
        time[[getattr(each, name) for each in episodes]] for name in ("before", "first", "last", "after")
    )
    return Measured(float(np.sum(after - first)), "s", float(np.sum(last - first)), float(np.sum(after - before)))


def _how_judged(study: SpeedStudy, kind: str) -> str:
    model = study.model
    if kind == "hold":
        return (
            "The reading stays exactly the same while the speed before and after goes on changing, then "
            "jumps to where its trend leads."
        )
    return (
        f"The reading steps away and back faster than the shaft can turn up or down. {_limits_in_words(model)} "
        "Quantum and noise are included; noise alone does that less than once in 10⁸ samples."
    )


def _limits_in_words(model: SpeedModel) -> str:
    """From what step on a reading counts as disturbed, in gear and whatever the shaft turns."""
    free = (
        f"a step beyond {model.smallest_seen_free_rpm:,.0f} rpm in {model.update_s * 1e3:.3g} ms ({model.slew_origin})"
    )
    if not model.tells_brief:
        return f"What counts is {free}."
    return (
        f"In gear a step counts beyond {model.smallest_seen_rpm:,.0f} rpm ({model.in_gear_origin}) if it is back "
        "sooner than a driveline can swing or a wheel can slip, which takes some 50 ms; with the wheels free "
        f"or slipping it takes {free}."
    )


def _relation_in_words(study: SpeedStudy, relation: LoadRelation | None) -> str:
    if relation is None:
        return "Whether it follows the motor current cannot be told: no current, or no contrast of currents."
    factor = relation.measured()
    low, value, high = (
        None if each is None else f"{each:,.0f}" if each >= 100 else f"{each:.2g}"
        for each in (factor.low, factor.value, factor.high)
    )
    limits = f"at least {low}" if high is None else f"{low} to {high}"
    value = "more than can be given" if value is None else f"× {value}"
    counts = (
        f"All kinds together: {relation.high_count} in {relation.high_min:.2f} min above "
        f"{relation.split:.0f} A (mean {relation.high_mean:.0f} A), {relation.low_count} in "
        f"{relation.low_min:.2f} min below (mean {relation.low_mean:.0f} A): {value} per 100 A, 95 % limits "
        f"{limits}."
    )
    return f"{counts} {_law_in_words(relation)} {_conclusion(study, relation)}".replace("  ", " ")


def _law_in_words(relation: LoadRelation) -> str:
    """How the factor was found."""
    if relation.law is None:
        return "With so few of them the rates above and below the median current are compared."
    text = "The factor is from a regression of their rate on current"
    if relation.law.power is not None:
        power = relation.law.power
        text += f" and speed, which they follow with the power {power.value:.2g} ({power.low:.2g} to {power.high:.2g})"
    return f"{text}{'; they come in clusters, which the limits allow for' if relation.law.dispersion else ''}."


def _conclusion(study: SpeedStudy, relation: LoadRelation) -> str:
    """What kind of fault they point to, in words."""
    if relation.electrical:
        return "They come with current, at the same speed or per turn, too, which points to electrical interference."
    if relation.mechanical:
        return (
            "They follow the turning of the shaft and not the current, which points to something mechanical: "
            "target, bearing, fit of the sensor."
        )
    lost = [each for each in study.disturbances if each.kind in ("hold", "dropout")]
    lost = [each for each in lost if _lasts_s(study, each) >= _LONG_S]
    if 2 * len(lost) > len(study.disturbances):
        return "Most of them are readings lost for long, which points to a connection: plug, pin, supply, broken core."
    return "That leaves undecided whether they follow the current or the turning of the shaft."


def _lasts_s(study: SpeedStudy, each: Disturbance) -> float:
    return float(study.speed.time_s[each.after] - study.speed.time_s[each.first])


def _noise(signals: Signals, study: SpeedStudy, relation: LoadRelation | None) -> Finding:
    """All disturbances together: their rate, the noise beside them, and what they follow."""
    rate = running_rate(study, study.disturbances)
    electrical = relation is not None and relation.electrical
    floor = _floor(study)
    measured = {"floor_rpm": floor, "rate_per_min": rate}
    if relation is not None:
        measured["rate_ratio_per_100A"] = relation.measured()
    return Finding(
        kind="encoder.noise",
        severity=Severity.WARNING if electrical else Severity.INFO,
        start_s=float(study.speed.time_s[0]),
        end_s=float(study.speed.time_s[-1]),
        title="Speed disturbances rise with motor current" if electrical else "How often the motor speed is disturbed",
        explanation=f"{_relation_in_words(study, relation)} Between the disturbances the reading scatters by "
        f"{_floor_in_words(floor)} (standard deviation, from second differences).",
        next_step=_NEXT_STEPS,
        caution=CAUTION_HV,
        parts=_parts(signals),
        measured=measured,
        evidence=Evidence(charts=(rate_chart(relation.bins, relation.law),) if relation and relation.bins else ()),
    )


def _floor(study: SpeedStudy) -> Measured:
    """The noise; a coarse quantum hides what is smaller than its own rounding error."""
    rounding, noise = study.model.quantum_rpm / sqrt(12.0), study.model.noise_rpm
    return Measured(0.0, "rpm", None, rounding) if noise < rounding else Measured(noise, "rpm")


def _floor_in_words(floor: Measured) -> str:
    return f"less than {floor.high:.2g} rpm" if floor.high is not None else f"{floor.value:.3g} rpm"


def _without_disturbance(signals: Signals, study: SpeedStudy) -> Finding:
    speed, model = study.speed, study.model
    if not model.running_s:
        return _undetermined(
            signals,
            "the motor never turned: at rest a silent encoder and a clean one look alike",
            "Record a spin with the wheels off the ground, or a drive.",
        )
    top = float(np.max(np.abs(speed.value)))
    if model.smallest_seen_rpm >= top:
        enough = max(top - model.reach.slack, 0.0) / 4.0 / model.slew_rpm_per_s
        wanted = f"every {enough * 1e3:.2g} ms" if enough > 0 else "with a finer step and less noise"
        return _undetermined(
            signals,
            f"between samples {model.update_s * 1e3:.3g} ms apart the shaft itself may change by "
            f"{model.smallest_seen_rpm:,.0f} rpm ({model.slew_origin}), and the speed never passes "
            f"{top:,.0f} rpm",
            f"Record the motor speed {wanted}.",
        )
    return Finding(
        kind="encoder.clean",
        severity=Severity.GOOD,
        start_s=float(speed.time_s[0]),
        end_s=float(speed.time_s[-1]),
        title="No disturbance seen in the motor speed",
        explanation=f"With a new value every {model.update_s * 1e3:.3g} ms, a reading that leads away by "
        f"more than {model.smallest_seen_rpm:,.0f} rpm and back would have been seen at a steady speed; a "
        f"smaller one, or one that falls between two samples, would not.{_slow_in_words(model)} "
        f"{_limits_in_words(model)}",
        next_step="Nothing to do. Check again under full current, where interference is strongest.",
        parts=_parts(signals),
        measured={
            "floor_rpm": _floor(study),
            "smallest_seen_rpm": Measured(model.smallest_seen_rpm, "rpm"),
            "smallest_seen_free_rpm": Measured(model.smallest_seen_free_rpm, "rpm"),
            "rate_per_min": running_rate(study, ()),
        },
    )


def _slow_in_words(model: SpeedModel) -> str:
    if not model.count_rpm:
        return ""
    return (
        f" Below {model.low_speed_rpm:,.0f} rpm, where single encoder counts of {model.count_rpm:,.0f} rpm "
        f"make the reading jump, it takes {model.smallest_seen_slow_rpm:,.0f} rpm."
    )


def _undetermined(signals: Signals, reason: str, do: str) -> Finding:
    return Finding(
        kind="encoder.undetermined",
        severity=Severity.INFO,
        start_s=signals.start_s,
        end_s=signals.end_s,
        title="Whether the encoder is clean cannot be told from this log",
        explanation=f"It cannot be told because {reason}.",
        next_step=do or "Record the motor speed for some seconds while it turns.",
        parts=_parts(signals),
    )
