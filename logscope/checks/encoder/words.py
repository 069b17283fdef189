"""The words of the encoder's findings: how a reading was judged, what disturbances follow, what to look at next."""

from __future__ import annotations

from math import isfinite

from logscope.checks.encoder.disturbance_load import LoadRelation
from logscope.checks.encoder.disturbance_switching import Switching
from logscope.findings import Measured
from logscope.observations.motor_speed.disturbances import Disturbance, SpeedStudy
from logscope.observations.motor_speed.model import SpeedModel
from logscope.statistics.rates import Estimate

KINDS = {  # kind: what it is in words, one and many
    "spike": ("spike", "spikes"),
    "dropout": ("dropout", "dropouts"),
    "reversal": ("reversal of sign", "reversals of sign"),
    "burst": ("burst of disturbances", "bursts of disturbances"),
    "hold": ("frozen reading", "frozen readings"),
}
_LONG_S = 0.1  # a reading lost for longer is no interference, which comes and goes within some 10 ms (practice)
NEXT_STEPS = (
    "With the power off and the link proven dead, look at the encoder's wiring (common practice, no "
    "published source): screened twisted pairs, the screen carried through every connector and bonded as "
    "the makers of encoder and inverter say, the cable away from the phase cables and crossing them at "
    "right angles, connector pins, the encoder's supply and ground. Then record the same drive again and "
    "compare the rates."
)
NEXT_STEPS_HOLD = (
    "Find out whether the encoder or the message stopped: look for a gap in the inverter's other messages "
    "at the same moments, and check the bus load. If they went on, look at the encoder's connector and "
    "supply, with the power off."
)

NEXT_STEPS_SWITCHING = (
    "First what is cheap, with the power off: a suppressor (diode or the maker's own) across the coil that switches, its "
    "wires twisted and away from the encoder's cable, and its ground not shared with the encoder's (common practice, no "
    "published source)."
)


def how_judged(study: SpeedStudy, kind: str) -> str:
    model = study.model
    if kind == "hold":
        return (
            "The reading stays exactly the same for longer than it otherwise does, then jumps to where the trend before and "
            "after leads, or, in gear, by more than tyres allow, and goes on calmly from there."
        )
    return (
        f"The reading steps away and back faster than the shaft can turn up or down. {limits_in_words(model)} "
        "Quantum and noise are included; noise alone does that less than once in 10⁸ samples."
    )


def limits_in_words(model: SpeedModel) -> str:
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


def noise_title(*, electrical: bool, switching: Switching | None) -> str:
    """The title of the finding on all disturbances together."""
    if switching is not None:
        return f"Speed disturbances come when the {switching.name.replace('_', ' ')} switches"
    return "Speed disturbances rise with motor current" if electrical else "How often the motor speed is disturbed"


def company_in_words(relation: LoadRelation | None) -> str:
    """What the pedal and the link's voltage have to do with the rate, beside current and speed."""
    if relation is None or not relation.companions:
        return ""
    each = "; ".join(
        f"for each {one.per} more of the {one.name.replace('_', ' ').replace('dc link', 'DC-link')}, the rate "
        f"× {one.factor.value:.2g} (95 % limits {_limits(one.factor)}{'' if one.matters else ', so no effect is shown'})"
        for one in relation.companions
    )
    return f" At the same current and speed, what else was looked at: {each}."


def _limits(factor: Estimate) -> str:
    return f"{factor.low:.2g} to {factor.high:.2g}" if isfinite(factor.high) else f"from {factor.low:.2g} on"


def switching_in_words(switching: Switching | None) -> str:
    """Which part's switching the disturbances follow."""
    if switching is None:
        return ""
    ratio = switching.measured()
    more = f"{ratio.value:.2g} times" if ratio.value is not None else f"at least {switching.ratio.low:.2g} times"
    return (
        f" {switching.hit} of {switching.switched} switchings of the {switching.name.replace('_', ' ')} came with a "
        f"disturbance, {more} as often as the rest of the time has one (95 % limits from {switching.ratio.low:.2g} on): that "
        "points to the coil or the contacts as the source."
    )


def relation_in_words(study: SpeedStudy, relation: LoadRelation | None) -> str:
    """What the disturbances follow."""
    if relation is None:
        return "Whether it follows the motor current cannot be determined: no current, or no contrast of currents."
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


def floor_in_words(floor: Measured) -> str:
    return f"less than {floor.high:.2g} rpm" if floor.high is not None else f"{floor.value:.3g} rpm"


def slow_in_words(model: SpeedModel) -> str:
    if not model.count_rpm:
        return ""
    return (
        f" Below {model.low_speed_rpm:,.0f} rpm, where single encoder counts of {model.count_rpm:,.0f} rpm "
        f"make the reading jump, it takes {model.smallest_seen_slow_rpm:,.0f} rpm."
    )
