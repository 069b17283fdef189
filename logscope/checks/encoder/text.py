"""The texts of the encoder's findings: how a reading was judged, what disturbances follow, what to check next."""

from __future__ import annotations

from math import isfinite

from logscope.checks.encoder.disturbance_load import LoadRelation
from logscope.checks.encoder.disturbance_switching import Switching
from logscope.findings import Measured
from logscope.observations.motor_speed.disturbances import Disturbance, SpeedAnalysis
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
    "With the power off and the link proven dead, check the encoder's wiring: screened twisted pairs; the screen "
    "carried through every connector and bonded as the makers specify; the cable away from the phase cables, crossing "
    "them at right angles; pins, supply and ground. Then record the same drive again and compare the rates."
)
NEXT_STEPS_HOLD = (
    "Find out whether the encoder or the message stopped: look for a gap in the inverter's other messages at the "
    "same moments, and check the bus load. If they continued, check the encoder's connector and supply with the "
    "power off."
)
NEXT_STEPS_SWITCHING = (
    "With the power off, fit a suppressor (a diode, or the maker's own) across the coil that switches. Twist its "
    "wires, keep them away from the encoder's cable, and give it a ground of its own."
)
PRACTICE = "The advice on wiring is common practice, no published source."


def how_judged(study: SpeedAnalysis, kind: str) -> str:
    model = study.model
    if kind == "hold":
        return (
            "The reading stays exactly the same for longer than usual. Then it jumps to where the trend before and "
            "after leads, or, in gear, by more than tyres allow, and continues calmly."
        )
    return (
        f"The reading steps away and back faster than the shaft can change its speed. {limits_in_words(model)} "
        "Resolution and noise are included; noise alone does that less than once in 10⁸ samples."
    )


def limits_in_words(model: SpeedModel) -> str:
    """From what step on a reading counts as disturbed, in gear and whatever the shaft turns."""
    free = (
        f"a step beyond {model.smallest_seen_free_rpm:.0f} rpm in {model.update_s * 1e3:.3g} ms ({model.slew_origin})"
    )
    if not model.tells_brief:
        return f"A reading counts as disturbed from {free}."
    return (
        f"In gear a step counts beyond {model.smallest_seen_rpm:.0f} rpm ({model.in_gear_origin}) if it is back "
        "sooner than a driveline can swing or a wheel can slip, about 50 ms; with the wheels free or slipping it "
        f"takes {free}."
    )


def noise_title(rate: str, *, electrical: bool, switching: Switching | None) -> str:
    """The title of the finding on all disturbances together."""
    if switching is not None:
        return f"Motor speed: disturbances come when the {switching.name.replace('_', ' ')} switches"
    what = "disturbances rise with motor current" if electrical else "all disturbances together"
    return f"Motor speed: {what}, {rate}"


def company_in_words(relation: LoadRelation | None) -> str:
    """What the pedal and the link's voltage have to do with the rate, beside current and speed."""
    if relation is None or not relation.companions:
        return ""
    each = "; ".join(
        f"for each {one.per} more of the {one.name.replace('_', ' ').replace('dc link', 'DC-link')}, the rate × "
        f"{one.factor.value:.2g} (95 %: "
        f"{_limits(one.factor)}{'' if one.matters else '; the interval includes no effect'})"
        for one in relation.companions
    )
    return f" At the same current and speed: {each}."


def _limits(factor: Estimate) -> str:
    return f"{factor.low:.2g} to {factor.high:.2g}" if isfinite(factor.high) else f"from {factor.low:.2g} on"


def switching_in_words(switching: Switching | None) -> str:
    """Which part's switching the disturbances follow."""
    if switching is None:
        return ""
    ratio = switching.measured()
    more = f"{ratio.value:.2g} times" if ratio.value is not None else f"at least {switching.ratio.low:.2g} times"
    return (
        f"{switching.hit} of {switching.switched} switchings of the {switching.name.replace('_', ' ')} came with a "
        f"disturbance, {more} as often as otherwise (95 %: at least {switching.ratio.low:.2g} times). The coil or "
        "the contacts are the likely source."
    )


def relation_in_words(study: SpeedAnalysis, relation: LoadRelation | None) -> str:
    """What the disturbances follow, in short."""
    if relation is None:
        return "Whether they follow the motor current cannot be determined: no current, or no contrast of currents."
    factor = relation.measured()
    low, value, high = map(_factor, (factor.low, factor.value, factor.high))
    limits = f"at least {low}" if high is None else f"{low} to {high}"
    times = "unbounded" if value is None else f"× {value}"
    return f"{_conclusion(study, relation)} Their rate per 100 A of motor current: {times} (95 %: {limits})."


def relation_method(relation: LoadRelation | None) -> str:
    """How that was found, for all kinds of disturbances together."""
    if relation is None:
        return ""
    return (
        f"All kinds together: {relation.high_count} in {relation.high_min:.2f} min above {relation.split:.0f} A "
        f"(mean {relation.high_mean:.0f} A), {relation.low_count} in {relation.low_min:.2f} min below (mean "
        f"{relation.low_mean:.0f} A). {_law_in_words(relation)}"
    )


def _factor(value: float | None) -> str | None:
    return None if value is None else f"{value:.0f}" if value >= 100 else f"{value:.2g}"


def _law_in_words(relation: LoadRelation) -> str:
    """How the factor was found."""
    if relation.law is None:
        return "As there are few, the rates above and below the median current are compared."
    text = "The factor comes from a regression of their rate on current"
    if relation.law.power is not None:
        power = relation.law.power
        text += f" and speed, which they follow to the power {power.value:.2g} ({power.low:.2g} to {power.high:.2g})"
    return f"{text}{'; they come in clusters, which widens the interval' if relation.law.dispersion else ''}."


def _conclusion(study: SpeedAnalysis, relation: LoadRelation) -> str:
    """What kind of fault they point to, in words."""
    if relation.electrical:
        return "They rise with current, also at the same speed or per turn: likely electrical interference."
    if relation.mechanical:
        return (
            "They follow the turning of the shaft and not the current: likely mechanical (target, bearing, fit of "
            "the sensor)."
        )
    lost = [each for each in study.disturbances if each.kind in ("hold", "dropout")]
    lost = [each for each in lost if _lasts_s(study, each) >= _LONG_S]
    if 2 * len(lost) > len(study.disturbances):
        return "Most are readings lost for long: likely a connection (plug, pin, supply, broken core)."
    return "Whether they follow the current or the turning of the shaft cannot be determined."


def _lasts_s(study: SpeedAnalysis, each: Disturbance) -> float:
    return float(study.speed.time_s[each.after] - study.speed.time_s[each.first])


def floor_in_words(floor: Measured) -> str:
    return f"less than {floor.high:.2g} rpm" if floor.high is not None else f"{floor.value:.3g} rpm"


def slow_in_words(model: SpeedModel) -> str:
    if not model.count_rpm:
        return ""
    return (
        f" Below {model.low_speed_rpm:.0f} rpm, where single encoder counts of {model.count_rpm:.0f} rpm make the "
        f"reading jump, it takes {model.smallest_seen_slow_rpm:.0f} rpm."
    )
