"""The precharge findings in plain words."""

from __future__ import annotations

from collections.abc import Mapping

from logscope.checks.precharge.compare import BY_SETTLING, BY_SLOWNESS, BYPASS_SHARE, Constant, Verdict
from logscope.checks.precharge.judge import Judged
from logscope.checks.wording import Words, number, percent, seconds, seconds_between
from logscope.curves.estimate import Estimate
from logscope.curves.rise_shapes import Shape
from logscope.findings import Measured

_OFF_FIRST = "With the power off, isolated and proved dead: "
_NEXT = {
    "complete": "Nothing to mend here. Keep this log: later precharges can be compared with it.",
    "slow": _OFF_FIRST + "measure the precharge resistor cold, and count what hangs on the link: a second inverter, a "
    "DC-DC converter, a charger or a heater adds capacitance.",
    "fast": _OFF_FIRST + "measure the precharge resistor (partly bridged, one of a pair shorted?), and see whether a "
    "capacitor bank is disconnected.",
    "stalled": _OFF_FIRST
    + "look for a load that is on during precharge (bleeder too small, DC-DC converter, heater) or "
    "leakage; such loads belong behind the main contactor. A stalled precharge heats its resistor for as long as the "
    "relay stays in: let it cool before another try.",
    "interrupted": "Check the supply and the drive of the precharge relay (12 V sag, loose plug) and the time-out of the "
    "sequence; if it retries, give the resistor time to cool between tries.",
    "closed_early": "Raise the closing threshold of the sequence, or its time-out where the curve was still rising, and check the pack voltage that the "
    "controller compares with. Inspect the contactor before it is used again: a hard closing can weld it.",
    "bypassed": "Stop here. "
    + _OFF_FIRST
    + "test the main contactor for a welded contact and the precharge resistor for "
    "a bridge before the high voltage is switched on again.",
    "undetermined": "Record the link voltage faster, together with pack voltage, relay and contactor states, and try again.",
}


def describe(judged: Judged, values: Mapping[str, Measured]) -> Words:
    """Put one judged attempt into words."""
    title = _title(judged)
    sentences = [
        *_shape(judged),
        *_where_it_ended(judged, values),
        *_constant(judged, values),
        *_heat(values),
        *_doubt(judged),
    ]
    next_step = _NEXT[judged.kind]
    if judged.kind in ("closed_early", "stalled", "complete") and (load := _load(values)):
        keep = "" if judged.kind == "complete" else f" {next_step}"
        next_step = f"Switch the load on the link ({load}) on only after the main contactor has closed.{keep}"
    wanted = judged.wanted_period_s
    if judged.kind == "undetermined" and wanted is not None and wanted < judged.period_s:
        next_step = (
            f"Record the link voltage every {seconds(wanted)} or faster (now {seconds(judged.period_s)}), together "
            "with pack voltage, relay and contactor states, and try again."
        )
    return Words(title, " ".join(sentences), next_step, hands_near_hv=judged.kind not in ("complete", "undetermined"))


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
            return (
                f"Hot restart: the link still held {percent(m.start_v / (m.pack_v or m.start_v))} of the pack voltage"
            )
        case "complete" if constant is not None:
            return f"Precharge complete, {tau}{against}"
        case "complete":
            return f"Precharge complete, settled{share}; sensing lag and RC cannot be told apart"
        case "slow" | "fast":
            return f"Precharge {judged.kind}: {tau}{against}, {_off(judged.factor)}"
        case "stalled":
            return f"Incomplete precharge: it stalled{share}"
        case "interrupted":
            return f"Incomplete precharge: interrupted{share}"
        case "closed_early":
            return f"Contactor closed early,{share}"
        case "bypassed":
            return f"No precharge: the link jumped by {m.reached_v - m.start_v:.0f} V past the resistor"
        case _:
            return "Precharge seen, but this log cannot show how it went"


def _off(factor: float | None) -> str:
    """By what factor a constant is off: '1.8 × too slow'."""
    if factor is None:
        return ""
    return f"{number(factor)} × too slow" if factor > 1 else f"{number(1 / factor)} × too fast"


def _load(values: Mapping[str, Measured]) -> str:
    """What draws current from the link: '4.8 kΩ, or 22 W'; empty where nothing shows."""
    ohm, watts = values.get("parallel_load_ohm"), values.get("load_power_W")
    told = []
    if ohm is not None and ohm.value is not None:
        told.append(f"{number(ohm.value / 1e3)} kΩ" if ohm.value >= 1e3 else f"{number(ohm.value)} Ω")
    if watts is not None and watts.value is not None:
        told.append(f"{number(watts.value)} W")
    return ", or ".join(told)


def _shape(judged: Judged) -> list[str]:
    m, fit = judged.measurement, judged.curve
    if fit is None:
        return [f"The link rose from {m.start_v:.1f} V to {m.reached_v:.1f} V with {m.inside} samples on the way."]
    levels = f"The link rose from {fit.start.value:.1f} V towards {fit.end.value:.1f} V"
    limits = f" (95 % limits {fit.end.low:.1f} to {fit.end.high:.1f} V)"
    if fit.lag is not None:
        shape = (
            "; the curve starts S-shaped, as it does behind a sensing low-pass, and follows two time constants, "
            f"{_with_limits(fit.time_constant)} and {_with_limits(fit.lag)}"
        )
    elif fit.shape is Shape.HEATING and fit.heating is not None:
        shape = (
            "; the curve slows down as it does behind a resistor that heats while it charges, by "
            f"{fit.heating.low * 100:.0f} to {fit.heating.high * 100:.0f} % at the end; the time constant is that of "
            "the cold resistor"
        )
    elif fit.shape is Shape.CONSTANT_POWER:
        shape = (
            "; the curve slows down on the way and creeps, as it does when a load of constant power (a DC-DC "
            "converter) starts on the link before the main contactor has closed"
        )
    elif fit.misfit:
        shape = "; the curve is no exponential, nor one behind a sensing lag, a heating resistor or a load, so its constant says little"
    else:
        hidden = f" (a sensing lag of up to {seconds(fit.hidden_lag.high)} would not show)" if fit.hidden_lag else ""
        shape = f"; the curve is one exponential{hidden}"
    unseen = "" if m.attempt.onset_seen else " The log begins inside the rise, so its start is not known."
    return [f"{levels}{limits}{shape}, to {fit.residual_v:.2f} V (root mean square).{unseen}"]


def _with_limits(constant: Estimate) -> str:
    return f"{seconds(constant.value)} ({seconds_between(constant.low, constant.high)})"


def _where_it_ended(judged: Judged, values: Mapping[str, Measured]) -> list[str]:
    m, closing = judged.measurement, judged.measurement.closing
    told: list[str] = []
    if judged.hot:
        told.append("The link was above the closing threshold from the beginning: there was little left to charge.")
    if closing is not None and m.pack_v:
        fraction, difference = values["fraction_at_close"], values["close_difference_V"]
        assert fraction.low is not None
        assert fraction.high is not None
        assert difference.value is not None
        seen = "the voltage shows the step" if closing.step_v else "by its reported state"
        told.append(
            f"The contactor closed ({seen}) at {percent(fraction.low)} to {percent(fraction.high)} of {m.pack_v:.1f} "
            f"V, about {difference.value:.1f} V apart; the closing threshold is {percent(judged.close_fraction)}."
        )
        if judged.kind == "closed_early":
            bound = values["inrush_bound_A"].value or 0.0
            told.append(
                f"That difference can drive up to {bound:,.0f} A through a loop of 10 mΩ and 1 µH (assumed: the "
                "stiffest loop usual in practice)."
            )
    elif m.pack_v:
        told.append(f"It reached {percent(m.reached_v / m.pack_v)} of the pack's {m.pack_v:.1f} V; no closing is seen.")
    else:
        told.append(
            "No pack voltage is mapped and no step at closing is seen, so whether the settled value is the pack's "
            "own cannot be told from this log."
        )
    load = _load(values)
    if judged.kind == "stalled" and not load:
        told.append("It had settled there: something draws current from the link.")
    if load and m.fit is not None and m.pack_v:
        told.append(
            f"The link settles at {percent(m.fit.end.value / m.pack_v)} of the pack, so something draws current from "
            f"it: {load} with the configured resistor."
        )
    if judged.kind == "interrupted":
        told.append("The rise broke off while it was still going on.")
    return told


def _implies(judged: Judged, values: Mapping[str, Measured]) -> str:
    """What a constant that is off says of resistor and capacitance."""
    ohm = values.get("implied_resistance_ohm")
    if ohm is None or ohm.value is None or judged.factor is None:
        return ""
    return (
        f": it implies {number(ohm.value)} Ω with the configured capacitance, or {number(judged.factor)} × the "
        "configured capacitance"
    )


def _constant(judged: Judged, values: Mapping[str, Measured]) -> list[str]:
    constant, expected = judged.constant, judged.expected_s
    if constant is None:
        return []
    if constant.time_constant is None:
        if expected is None:
            return [
                "The two constants are the link's RC and the sensing lag, and the curve is the same whichever is "
                "which: sensing lag and RC cannot be told apart from this log. Give resistance_ohm and "
                "capacitance_uF in the vehicle file, or log a second, unfiltered link voltage."
            ]
        if constant.told_by is not None and constant.both is not None:
            slower, faster = constant.both
            return [
                f"The curve has two constants, {seconds(slower.value)} as expected and {seconds(faster.value)}. The "
                f"link would be too fast by {_witness(constant.told_by)}; a sound link behind a short sensing lag "
                "has the same curve. Which constant is RC cannot be determined from this log."
            ]
        return [
            f"One reading of the two constants is above and one below the expected {seconds(expected)}: either may be RC."
        ]
    tau = constant.time_constant
    limits = f"Time constant {seconds(tau.value)}, 95 % limits {seconds_between(tau.low, tau.high)}"
    if constant.or_lag:
        limits = (
            f"Without a sensing lag the time constant would be {seconds(tau.value)}; it is at most {seconds(tau.high)}"
        )
    if expected is None:
        told = f" It is distinguished from the sensing lag by {_witness(constant.told_by)}." if constant.told_by else ""
        return [limits + "; no R·C is given in the vehicle file to compare it with." + told]
    low, high = expected * (1 - judged.tolerance), expected * (1 + judged.tolerance)
    band = f"; expected from R·C {seconds(expected)}, band {seconds_between(low, high)}."
    if judged.factor is not None:
        band += f" That is {_off(judged.factor)}{_implies(judged, values)}."
    if constant.told_by is not None:
        band += f" Which of the two constants is the link's is shown by {_witness(constant.told_by)}."
    elif constant.lag is not None:
        band += f" The constant nearer to R·C is taken as the link's, the other ({seconds(constant.lag.value)}) as sensing lag."
    return [limits + band]


def _witness(told_by: str) -> str:
    if told_by == BY_SETTLING:
        return "the other one, with which the reading settles behind the end of the curve"
    if told_by == BY_SLOWNESS:
        return "its size: no sensing is so slow"
    return f"{told_by.replace('_', ' ')}, which shows the same one"


def _heat(values: Mapping[str, Measured]) -> list[str]:
    """What the resistor turned into heat, where its resistance is told."""
    energy, peak = values.get("resistor_energy_J"), values.get("resistor_peak_power_W")
    if energy is None or peak is None:
        return []
    at_most = f", {number(peak.value)} W at the most" if peak.value is not None else ""
    if energy.value is None:
        told = [
            f"The log shows {number(energy.low or 0.0)} J of heat in the precharge resistor, but not the whole attempt{at_most}."
        ]
    else:
        told = [f"The precharge resistor turned {number(energy.value)} J into heat{at_most}."]
    power, lasted, stalled = (values.get(f"stalled_{name}") for name in ("power_W", "s", "energy_J"))
    if power and lasted and stalled and None not in (power.value, lasted.value, stalled.value):
        told.append(
            f"Of that, {number(stalled.value or 0.0)} J came after the rise had settled: "
            f"{number(power.value or 0.0)} W for {seconds(lasted.value or 0.0)}."
        )
    return told


def no_rise_heat(values: Mapping[str, Measured]) -> str:
    """The worst that a rise that never came can have done to the resistor."""
    energy, power = values.get("resistor_energy_J"), values.get("resistor_peak_power_W")
    if energy is None or power is None or energy.high is None or power.high is None:
        return ""
    return (
        f" An open path leaves the precharge resistor cold; a shorted link would have put {number(power.high)} W "
        f"into it, {number(energy.high)} J in all."
    )


def _doubt(judged: Judged) -> list[str]:
    constant = judged.constant
    if judged.has_hole:
        m = judged.measurement
        return [
            f"{seconds(m.missing_s)} of the {seconds(m.end_s - m.start_s)} of the rise are missing from the log: a "
            "pause or a step in between would not show."
        ]
    if judged.kind == "stalled" and judged.measurement.attempt.saws:
        return [
            f"Then the voltage fell and rose again {judged.measurement.attempt.saws} times between the same two "
            "levels: a load starts at the upper one, takes more than the resistor lets through, and stops at the "
            "lower one."
        ]
    if judged.kind == "bypassed" and judged.expected_s and judged.period_s > BYPASS_SHARE * judged.expected_s:
        return [
            f"Between two samples, {seconds(judged.period_s)} apart, a contactor that closed far too early would "
            "look the same: hard on contacts and capacitors either way."
        ]
    if judged.kind == "undetermined" and judged.measurement.leads_beyond_pack:
        return [
            "The readings bend as if the link led to more than the pack's voltage: the contactor closed before the end of "
            "the curve, and a sensing lag hides where. The time constant cannot be determined from this log."
        ]
    if judged.kind == "undetermined" and judged.bound_s is not None:
        return [
            f"With a sample every {seconds(judged.period_s)} the rise falls between two samples: its time constant "
            f"is at most {seconds(judged.bound_s)}, and a precharge cannot be told from a step."
        ]
    if judged.kind == "undetermined" and judged.may_have_closed_early:
        return [
            "The last reading before the contactor closed lies below the closing threshold, but it may be older than "
            "its stamp, and the link went on charging meanwhile: whether it closed early cannot be determined."
        ]
    if judged.kind == "undetermined" and judged.measurement.attempt.ended_by == "log end":
        return ["The log ends before the precharge did."]
    if judged.kind == "undetermined" and judged.measurement.attempt.stayed_open:
        return [
            "The main contactor stayed open, and no pack voltage is known: the link may have stalled below the pack, "
            "or the sequence may have given up for another reason."
        ]
    if judged.kind == "stalled" and judged.measurement.pack_v is None:
        return ["No pack voltage is known, but the link settled below what the vehicle file says of the emptiest pack."]
    if judged.measurement.pack_v is None and judged.curve is not None and constant is not None:
        if judged.kind == "undetermined" and constant.verdict is Verdict.FAST:
            return [
                "That is faster than expected, but no pack voltage is known: a load that holds the link below the "
                "pack's voltage shortens the time constant in the same way. Log the pack voltage to tell the two "
                "apart."
            ]
        if judged.kind == "complete":
            return [
                "No pack voltage is known and no closing is seen: that the link reached the pack's voltage is taken "
                "from its time constant alone."
            ]
    if judged.kind == "undetermined" and judged.curve is None:
        return [
            "Too few samples lie on the steep part: a contactor that closes between two of them would look the same, "
            "so no time constant is told."
        ]
    if constant is None or constant.verdict is not Verdict.OPEN or constant.time_constant is None:
        return []
    return [_open(judged, constant, constant.time_constant)]


def _open(judged: Judged, constant: Constant, tau: Estimate) -> str:
    """Why a known time constant is neither as expected nor off."""
    if constant.or_lag and judged.expected_s is not None:
        return (
            "Two readings explain the samples equally well: a link that charges too slowly, with "
            f"{seconds(tau.value)}, or a link as expected, near {seconds(judged.expected_s)}, behind a sensing lag. "
            "Record the link voltage faster, or log the pack current, to see which."
        )
    if judged.curve is not None and judged.curve.misfit:
        return "The samples do not follow the fitted curve, so its constant is not compared with R·C."
    expected_s = judged.expected_s or tau.value
    low, high = expected_s * (1 - judged.tolerance), expected_s * (1 + judged.tolerance)
    if tau.high < low or tau.low > high:
        return (
            "The 95 % limits are outside the expected band, but not the wider ones that a claim needs, of 99.9 % and "
            "with what the stamps may be off: slow, fast or as expected cannot be determined from this log."
        )
    return "The limits reach across the edge of the expected band: slow, fast or as expected cannot be determined from this log."
