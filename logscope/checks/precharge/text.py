"""The texts of the precharge findings."""

from __future__ import annotations

from collections.abc import Mapping

from logscope.checks.precharge.compare import BY_SETTLING, BY_SLOWNESS
from logscope.checks.precharge.doubt import doubt_of
from logscope.checks.precharge.judge import Judged
from logscope.checks.wording import Words, number, percent, seconds
from logscope.curves.behind_lag import LONGEST_LAG_S
from logscope.curves.estimate import Estimate
from logscope.curves.rise_shapes import Shape
from logscope.findings import Measured
from logscope.quantities import number_text, quantity_text

_OFF_FIRST = "With the power off, isolated and proven dead: "
_FASTER = "Record the link voltage faster, together with pack voltage, relay and contactor states, and try again."
_NEXT = {
    "complete": "Nothing to do. Keep this log for comparison with later precharges.",
    "slow": (
        f"{_OFF_FIRST}measure the precharge resistor cold. Count what is connected to the link: a second inverter, a "
        "DC-DC converter, a charger or a heater adds capacitance."
    ),
    "fast": (
        f"{_OFF_FIRST}measure the precharge resistor (partly bridged, one of a pair shorted?). Check whether a "
        "capacitor bank is disconnected."
    ),
    "stalled": (
        f"{_OFF_FIRST}look for a load that is on during precharge (bleeder too small, DC-DC converter, heater) or "
        "for leakage; such loads belong downstream of the main contactor. A stalled precharge heats its resistor as "
        "long as the relay is closed: let it cool before another attempt."
    ),
    "interrupted": (
        "Check the supply and drive of the precharge relay (12 V sag, loose plug) and the time-out of the sequence. "
        "Let the resistor cool between attempts."
    ),
    "closed_early": (
        "Raise the closing threshold of the sequence, or its time-out if the voltage was still rising. Check the "
        f"pack voltage that the controller compares with. {_OFF_FIRST}inspect the contactor before using it again: a "
        "hard closing can weld it."
    ),
    "bypassed": (
        f"Stop here. {_OFF_FIRST}test the main contactor for welded contacts and the precharge resistor for a bridge "
        "before the high voltage is switched on again."
    ),
    "undetermined": _FASTER,
}


def describe(judged: Judged, values: Mapping[str, Measured]) -> Words:
    """Put one judged attempt into words."""
    next_step = _NEXT[judged.kind]
    if judged.kind in ("closed_early", "stalled", "complete") and (load := _load(values)):
        keep = "" if judged.kind == "complete" else f" {next_step}"
        next_step = f"Switch the load on the link ({load}) on only after the main contactor has closed.{keep}"
    if judged.kind in ("fast", "slow") and (lag_s := _perhaps_lag(judged)) is not None:
        next_step += (
            f" Until then treat it as bypassed: a link that jumps past its resistor, seen through a lag of "
            f"{seconds(lag_s)}, looks the same."
        )
    if judged.let_go_within_s is not None or (judged.kind == "complete" and not judged.shows_pack):
        next_step = "Record the pack voltage and the states of relay and contactor as well, and try again."
    wanted = judged.wanted_period_s
    if judged.kind == "undetermined" and wanted is not None and wanted < judged.period_s:
        next_step = (
            f"Record the link voltage every {seconds(wanted)} or faster (now {seconds(judged.period_s)}), together "
            "with pack voltage, relay and contactor states, and try again."
        )
    return Words(
        _title(judged),
        " ".join([*_where_it_ended(judged, values), *_off_by(judged, values), *doubt_of(judged)]),
        next_step,
        hands_near_hv=judged.kind not in ("complete", "undetermined"),
        method=" ".join([*_shape(judged), *_closing(judged, values), *_constant(judged), *_heat(values)]),
    )


def _title(judged: Judged) -> str:
    m = judged.measurement
    at_close = m.closing is not None and judged.kind == "closed_early"
    reached = m.fraction((m.closing.low_v + m.closing.high_v) / 2 if at_close and m.closing else m.reached_v)
    share = f" at {percent(reached)} of the pack voltage" if reached is not None else f" at {m.reached_v:.0f} V"
    constant = judged.constant.time_constant if judged.constant else None
    tau = f"time constant {seconds(constant.value)}" if constant else ""
    against = f", expected {seconds(judged.expected_s)} ± {judged.tolerance * 100:g} %" if judged.expected_s else ""
    match judged.kind:
        case "complete" if judged.hot and constant is None:
            held = percent(m.start_v / (m.pack_v or m.start_v))
            return f"Precharge: hot restart, the link still held {held} of the pack voltage"
        case "complete" if constant is not None and not judged.shows_pack:
            return f"Precharge curve as expected, pack voltage unknown: {tau}{against}"
        case "complete" if constant is not None:
            return f"Precharge complete: {tau}{against}"
        case "complete":
            complete = " complete" if judged.shows_pack else ""
            return f"Precharge{complete}: settled{share}; sensing lag and RC cannot be distinguished"
        case "fast" if judged.bound_s is not None and judged.least_factor is not None:
            most = f"time constant at most {seconds(judged.bound_s)}"
            return f"Precharge fast: {most}{against}, at least {number(judged.least_factor)} × too fast"
        case "slow" | "fast":
            return f"Precharge {judged.kind}: {tau}{against}, {_off(judged.factor)}"
        case "stalled":
            return f"Incomplete precharge: stalled{share}"
        case "interrupted":
            return f"Incomplete precharge: interrupted{share}"
        case "closed_early":
            return f"Contactor closed early,{share}"
        case "bypassed":
            return f"No precharge: the link jumped by {m.reached_v - m.start_v:.0f} V past the resistor"
        case _:
            return f"Precharge: rose to {m.reached_v:.0f} V, outcome cannot be determined"


def _perhaps_lag(judged: Judged) -> float | None:
    """The constant of a fast or slow link [s], where it may be the sensing's as well; else None."""
    if judged.bound_s is not None:
        return min(judged.bound_s, LONGEST_LAG_S)
    constant = judged.constant
    if constant is None or constant.time_constant is None or constant.shown_by is not None:
        return None
    return constant.time_constant.value if constant.time_constant.low <= LONGEST_LAG_S else None


def _off(factor: float | None) -> str:
    """By what factor a constant is off: '1.8 × too slow'."""
    if factor is None:
        return ""
    return f"{number(factor)} × too slow" if factor > 1 else f"{number(1 / factor)} × too fast"


def _limits(estimate: Estimate, unit: str = "s") -> str:
    return quantity_text(Measured(estimate.value, unit, estimate.low, estimate.high))


def _load(values: Mapping[str, Measured]) -> str:
    """What draws current from the link: '4.80 kΩ, or 22.0 W'; empty where nothing shows."""
    loads = (values.get("parallel_load_ohm"), values.get("load_power_W"))
    return ", or ".join(
        quantity_text(Measured(load.value, load.unit)) for load in loads if load is not None and load.value is not None
    )


def _shape(judged: Judged) -> list[str]:
    """How the rise was fitted."""
    m, fit = judged.measurement, judged.curve
    if fit is None:
        return [f"Samples on the way from {m.start_v:.1f} V to {m.reached_v:.1f} V: {m.inside}."]
    text = f"Fitted from {number_text(fit.start.value, 1)} V towards {_limits(fit.end, 'V')}"
    if fit.lag is not None:
        text += (
            "; the curve starts S-shaped, as through a sensing low-pass, with two time constants, "
            f"{_limits(fit.time_constant)} and {_limits(fit.lag)}"
        )
    elif fit.shape is Shape.HEATING and fit.heating is not None:
        text += (
            "; the curve slows down as with a resistor that heats while it charges, by "
            f"{fit.heating.low * 100:.0f} to {fit.heating.high * 100:.0f} % at the end; the time constant is that of "
            "the cold resistor"
        )
    elif fit.shape is Shape.CONSTANT_POWER:
        text += (
            "; the curve slows down and creeps, as when a load of constant power (a DC-DC converter) starts on the "
            "link before the main contactor has closed"
        )
    elif fit.misfit:
        text += "; the curve is no exponential, also not with a sensing lag, a heating resistor or a load"
    else:
        hidden = f" (a sensing lag of up to {seconds(fit.hidden_lag.high)} is not seen)" if fit.hidden_lag else ""
        text += f"; the curve is one exponential{hidden}"
    unseen = "" if m.attempt.onset_seen else " The log begins inside the rise, so its start is unknown."
    return [f"{text}. Residual {fit.residual_v:.2f} V (root mean square).{unseen}"]


def _where_it_ended(judged: Judged, values: Mapping[str, Measured]) -> list[str]:
    m, closing = judged.measurement, judged.measurement.closing
    said: list[str] = []
    if judged.hot:
        said.append("The link was above the closing threshold from the start.")
    if closing is not None and m.pack_v:
        fraction, difference = values["fraction_at_close"], values["close_difference_V"]
        assert fraction.low is not None
        assert fraction.high is not None
        assert difference.value is not None
        level = f"{'its level afterwards' if m.pack_by_link else 'the pack'}, {m.pack_v:.1f} V"
        said.append(
            f"The contactor closed at {percent(fraction.low)} to {percent(fraction.high)} of {level}, about "
            f"{difference.value:.1f} V apart; the closing threshold is {percent(judged.close_fraction)}."
        )
        if judged.kind == "closed_early":
            said.append(f"That can drive up to {quantity_text(Measured(values['inrush_bound_A'].value, 'A'))}.")
    elif m.pack_v:
        said.append(f"It reached {percent(m.reached_v / m.pack_v)} of the pack's {m.pack_v:.1f} V. No closing is seen.")
    else:
        said.append(f"It reached {m.reached_v:.1f} V. Pack voltage unknown, no closing seen.")
    load = _load(values)
    if judged.kind == "stalled" and not load and not m.attempt.saws:
        said.append("It had settled there: something draws current from the link.")
    if load and m.fit is not None and m.pack_v:
        said.append(
            f"It settles at {percent(m.fit.end.value / m.pack_v)} of the pack: something draws current from the "
            f"link, {load} with the configured resistor."
        )
    if judged.kind == "interrupted":
        said.append("The rise broke off while it was still rising.")
    return said


def _closing(judged: Judged, values: Mapping[str, Measured]) -> list[str]:
    """How the closing was seen, and what its inrush was worked out with."""
    closing, said = judged.measurement.closing, list[str]()
    if closing is not None:
        said.append(f"The closing is seen {'as a step of the voltage' if closing.step_v else 'by its reported state'}.")
    if judged.kind == "closed_early" and "inrush_bound_A" in values:
        said.append("Inrush through an assumed loop of 10 mΩ and 1 µH, the stiffest usual in practice.")
    return said


def _off_by(judged: Judged, values: Mapping[str, Measured]) -> list[str]:
    """The time constant beside the expected one, and what a difference implies."""
    tau, expected = judged.constant.time_constant if judged.constant else None, judged.expected_s
    if expected is None:
        return []
    low, high = expected * (1 - judged.tolerance), expected * (1 + judged.tolerance)
    if judged.kind == "fast" and judged.bound_s is not None:
        band = quantity_text(Measured(None, "s", low, high))
        return [f"Time constant at most {seconds(judged.bound_s)}, expected {band} from R·C."]
    if tau is None or judged.constant is None or judged.constant.or_lag:
        return []
    said = [
        f"Time constant {_limits(tau)}, expected {quantity_text(Measured(None, 's', low, high))} from R·C.",
    ]
    ohm = values.get("implied_resistance_ohm")
    if ohm is not None and ohm.value is not None and judged.factor is not None:
        said.append(
            f"That implies {quantity_text(Measured(ohm.value, 'ohm'))} at the configured capacitance, or "
            f"{number(judged.factor)} × the configured capacitance."
        )
    return said


def _constant(judged: Judged) -> list[str]:
    """Which constant is the link's, and how that is known."""
    constant, expected = judged.constant, judged.expected_s
    if judged.kind == "fast" and judged.bound_s is not None:
        return [
            "The samples give no curve that can be compared, but an upper bound: while the contactor was open, the "
            "reading came nearer to the pack's voltage than a resistor and capacitors as configured allow. Neither a "
            "sensing lag nor a load makes a link look faster than it is."
        ]
    if constant is None:
        return []
    tau = constant.time_constant
    if tau is None:
        if expected is None:
            return [
                "The two constants are the link's RC and the sensing lag; the curve is the same whichever is which. "
                "Give resistance_ohm and capacitance_uF in the vehicle file, or log a second, unfiltered link "
                "voltage."
            ]
        if constant.shown_by is not None and constant.both is not None:
            slower, faster = constant.both
            return [
                f"The curve has two constants, {seconds(slower.value)} as expected and {seconds(faster.value)}. The "
                f"link would be too fast by {_witness(constant.shown_by)}; a sound link seen through a short sensing "
                "lag has the same curve. Which constant is RC cannot be determined."
            ]
        faster_s = constant.both[1].value if constant.both is not None else 0.0
        where = "below" if faster_s < expected * (1 - judged.tolerance) else "about"
        return [
            f"Of the two constants one is above and one {where} the expected {seconds(expected)}: either may be RC."
        ]
    if constant.or_lag:
        return [
            f"Without a sensing lag the time constant would be {seconds(tau.value)}; it is at most {seconds(tau.high)}."
        ]
    if expected is None:
        by = f" It is distinguished from the sensing lag by {_witness(constant.shown_by)}." if constant.shown_by else ""
        return [f"Time constant {_limits(tau)}; no R·C is configured to compare it with.{by}"]
    if constant.shown_by is not None:
        return [f"Which of the two constants is the link's is shown by {_witness(constant.shown_by)}."]
    if constant.lag is not None:
        return [
            f"The constant nearer to R·C is taken as the link's, the other ({seconds(constant.lag.value)}) as "
            "sensing lag."
        ]
    return []


def _witness(shown_by: str) -> str:
    if shown_by == BY_SETTLING:
        return "the other one, with which the reading settles after the contactor closes"
    if shown_by == BY_SLOWNESS:
        return "its size: no sensing is so slow"
    return f"{shown_by.replace('_', ' ')}, which shows the same one"


def _heat(values: Mapping[str, Measured]) -> list[str]:
    """What the resistor turned into heat, where its resistance is configured."""
    energy, peak = values.get("resistor_energy_J"), values.get("resistor_peak_power_W")
    if energy is None or peak is None:
        return []
    at_most = f", at most {quantity_text(Measured(peak.value, 'W'))}" if peak.value is not None else ""
    if energy.value is None:
        said = [
            f"At least {quantity_text(Measured(energy.low, 'J'))} became heat in the precharge resistor{at_most}; "
            "the attempt is not logged to its end."
        ]
    else:
        said = [f"The precharge resistor turned {quantity_text(Measured(energy.value, 'J'))} into heat{at_most}."]
    power, lasted, stalled = (values.get(f"stalled_{name}") for name in ("power_W", "s", "energy_J"))
    if power and lasted and stalled and None not in (power.value, lasted.value, stalled.value):
        said.append(
            f"Of that, {quantity_text(Measured(stalled.value, 'J'))} came after the rise had settled: "
            f"{quantity_text(Measured(power.value, 'W'))} for {seconds(lasted.value or 0.0)}."
        )
    return said


def no_rise_heat(values: Mapping[str, Measured]) -> str:
    """The worst that a rise that never came can have done to the resistor."""
    energy, power = values.get("resistor_energy_J"), values.get("resistor_peak_power_W")
    if energy is None or power is None or energy.high is None or power.high is None:
        return ""
    return (
        " An open path leaves the precharge resistor cold; a shorted link would have put "
        f"{quantity_text(Measured(power.high, 'W'))} into it, {quantity_text(Measured(energy.high, 'J'))} in all."
    )
