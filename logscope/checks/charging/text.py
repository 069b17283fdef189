"""What the findings of a charge say."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from logscope.checks.charging.conduct import Event
from logscope.checks.charging.idle import Idle
from logscope.checks.charging.margins import Margin
from logscope.checks.charging.regulation import Error, Regulation
from logscope.checks.wording import Words, if_in_fahrenheit, number, seconds
from logscope.findings import Measured
from logscope.observations.charging.phases import Step
from logscope.parts import part_name
from logscope.quantities import quantity_text
from logscope.signals import Part, Signals

if TYPE_CHECKING:
    from logscope.checks.charging.check import Charge

_CAUSES = {
    "limit": "a limit was reached",
    "temperature": "a temperature limit was reached",
    "plug": "the plug came first",
    "supply": "the mains supply failed first",
    "request": "the request was withdrawn first",
    "communication": "the request was no longer sent",
    "fault": "a fault came first",
    "undetermined": "cause not visible",
}
_STEPS = {
    "limit": "Check that this is where charging should end. If it ended early, compare the reading at the limit with a "
    "meter.",
    "temperature": "Let the battery cool, and look at its cooling and at the charging current.",
    "plug": "Check plug, lock and their wiring, and why the plug was pulled while charging.",
    "supply": "Check socket, fuse and residual-current device, and the charger's log. Leave mains wiring to a "
    "licensed electrician.",
    "request": "Look at what the pack monitor reports at that moment: timer, charge level, its own limits.",
    "communication": "Check the bus and the pack monitor: wiring, termination, supply, and what else was no longer "
    "sent.",
    "fault": "Look up the fault, and record the next charge.",
    "undetermined": "Record the next charge with the charger's state, its input power, the plug and the request.",
}
_APART_A = 0.5  # by which the readings of two sound meters differ (practice)
_METERS = (
    "Limits cover noise, sampling and resolution, not the accuracy of the meters: half a percent of a voltage and two "
    "percent of a current are usual (common practice, no published source)."
)


def complete_words(charge: Charge, signals: Signals) -> Words:
    """A charge that ended because the battery was full."""
    amounts = charge.amounts
    said = [f"{_charged(charge)} {_phases(charge)}", _efficiency(charge), _near(charge)]
    return Words(
        f"Charge complete: {quantity_text(_plain(amounts.charge))} in {_lasted(charge)}",
        " ".join(filter(None, said)),
        "Keep this log, and compare taper and efficiency with later charges at the same temperature.",
        hands_near_hv=False,
        method=_method(charge),
    )


def stopped_words(charge: Charge, signals: Signals) -> Words:
    """A charge that ended before the battery was full."""
    ending = charge.ending
    cause = ending.cause or "undetermined"
    why = _CAUSES[cause]
    if ending.limit is not None and cause in ("limit", "temperature"):
        why = f"{part_name(ending.limit.part)} at its limit"
    at = "" if ending.end_a is None else f" at {number(ending.end_a)} A"
    order = "; ".join(
        f"{_CAUSES_SHORT[name]} between {since:.1f} and {until:.1f} s" for name, since, until in ending.order
    )
    said = [f"The current ended at {charge.session.end_s:.1f} s{at}, before the battery was full.", _charged(charge)]
    said += [f"About the end: {order}."] if order else ["Nothing else that is logged changed about then."]
    return Words(
        f"Charge stopped after {_lasted(charge)}: {why}",
        " ".join(filter(None, said)),
        _STEPS[cause],
        hands_near_hv=cause in ("plug", "supply", "fault"),
        method=f"{_state(charge, signals)}What came first is named only where the messages put it before everything "
        f"else, within their periods. {_method(charge)}",
    )


_CAUSES_SHORT = {
    "plug": "plug or lock open",
    "supply": "input power lost",
    "request": "request withdrawn",
    "communication": "last request sent",
    "fault": "fault set",
}


def undetermined_words(charge: Charge, signals: Signals) -> Words:
    """A charge whose end the log does not show."""
    phases = f" {_phases(charge)}" if charge.session.phases else ""
    near = _near(charge)
    return Words(
        f"Charge of {_lasted(charge)}: how it ended cannot be determined",
        f"{charge.ending.why_open[:1].upper()}{charge.ending.why_open[1:]}. {_charged(charge)}{phases}"
        f"{' ' + near if near else ''}",
        "Record until some seconds after the charger has stopped, with its current at least every second.",
        hands_near_hv=False,
        method=_method(charge),
    )


def no_current_words(idle: Idle) -> Words:
    """Plugged in, and nothing flows."""
    lasted = _duration(idle.end_s - idle.start_s)
    shown = "The plug is in" if idle.shown_by == "charge_plug" else "The charger reports that it charges"
    since = f"{shown} from {idle.start_s:.0f} to {idle.end_s:.0f} s"
    if idle.battery_a is not None:
        return Words(
            f"Charging: the charger's current reads nothing, {number(idle.battery_a)} A flows into the battery",
            f"{since}. Charger and battery contradict each other: the charge is not judged.",
            "Check which signal charger_current is mapped to, and its scale.",
            hands_near_hv=False,
        )
    if idle.asked_a is not None:
        said = f"A current of {number(idle.asked_a)} A is requested meanwhile."
    else:
        said = (
            "No current is requested meanwhile." if idle.request_logged else "Whether one is requested is not logged."
        )
    reasons = [
        *(["The charger reports a fault."] if idle.fault else []),
        *(["It draws nothing from the mains."] if idle.unfed else []),
        *(["The battery reads the voltage requested: it is probably full."] if idle.full else []),
    ]
    step = "Look at timer, charge level and what the pack monitor waits for."
    if idle.fault:
        step = "Look up the charger's fault."
    elif idle.unfed:
        step = _STEPS["supply"]
    elif idle.asked_a is not None and not idle.full:
        step = "Check what the charger waits for: mains, its own state, the enable line, the contactor to the battery."
    return Words(
        f"Plugged in for {lasted}: no charging current",
        " ".join([f"{since}, and no charging current flows.", said, *reasons]),
        step,
        hands_near_hv=bool(idle.asked_a is not None or idle.unfed),
        method="A charger starts within half a minute of the plug; one that gave nothing for a minute is named (common "
        "practice, no published source). A plug that is in while the vehicle moves is not taken for one.",
    )


def over_limit_words(worst: Margin, passed: Sequence[Margin]) -> Words:
    """A limit that was passed beyond doubt."""
    unit = "K" if worst.unit == "°C" else worst.unit
    name = _limited_name(worst)
    others = [_limited_name(margin) for margin in passed if margin is not worst]
    also = f" Also beyond: {', '.join(others)}." if others else ""
    side = "above" if worst.upper else "below"
    risk = "Overcharged cells can catch fire." if worst.upper else "Cells charged in the cold are damaged."
    if worst.of_charger:
        risk = "It is more than the charger is rated for: wrong rating in the vehicle file, or wrong scale of a signal."
    elif worst.unit == "A":
        risk = "Cells charged too fast heat up and age."
    meter = "the voltages of charger, pack and cells with a rated meter, then check the request and "
    if worst.unit == "°C":
        meter = "the battery with a thermometer, then check the unit of the signal and "
        if worst.upper:
            risk = f"Hot cells age and can catch fire. {if_in_fahrenheit(worst.limit - worst.left)}"
    return Words(
        f"Charging: {name} {quantity_text(Measured(-worst.left, unit))} {side} the limit of "
        f"{number(worst.limit)} {worst.unit}",
        f"The {name} was furthest beyond at {worst.time_s:.1f} s; the meter's doubt is "
        f"{quantity_text(Measured(worst.doubt, unit))}.{also} {risk}",
        f"Stop charging. Compare {meter}{worst.key} in the vehicle file.",
        method="Judged by the median of three readings that last; doubt is noise, half a step, and what sound meters "
        "differ by (common practice, no published source). A wrong scale of the mapped signal would look the same.",
    )


def off_target_words(error: Error, regulation: Regulation, known: bool) -> Words:
    """Current or voltage that is not what was requested."""
    quantity = "current" if error.unit == "A" else "voltage"
    side = "above" if error.above else "below"
    apart = quantity_text(Measured(abs(error.value), error.unit))
    meaning, step = (
        "The charger does not follow its request.",
        "Check the request's scale in both controllers, and compare the charger's reading with a meter.",
    )
    if error.unit == "A" and not error.above:
        meaning = "The charger gives less than it is asked for: mains limit, temperature, or its own limit."
        if regulation.constant_power:
            meaning = "Its power stays the same as the voltage rises: the charger is at its power limit."
        elif not known or error.limited:
            meaning = "The request may be more than the charger can give."
        step = "Look at its input current limit and temperature; state charger_max_current_A or charger_max_power_W in "
        step += "the vehicle file."
    elif error.beyond_regulation and not error.above:
        meaning = "So much is no error of regulation: the request is an upper limit, or another set-point holds it."
        step = "Check which voltage the charger holds by itself, and the scale of both signals."
    mean = quantity_text(Measured(error.value, error.unit, error.low, error.high))
    asked = f"{number(error.asked)} {error.unit}"
    against = f"the {asked} that the charger can give" if error.limited else f"the request of {asked}"
    return Words(
        f"Charging {quantity}: {apart} {side} {against}",
        f"Measured less requested: {mean} from {error.start_s:.0f} to {error.end_s:.0f} s. {meaning}",
        step,
        hands_near_hv=error.above or error.unit == "V",
        method=f"Mean over the {quantity} that is held, against the request in force; off is beyond "
        f"{quantity_text(Measured(error.tolerance, error.unit))} (common practice, no published source). A wrong scale "
        f"of either signal would look the same. {_METERS}",
    )


def not_stopping_words(event: Event) -> Words:
    """A charger that does not stop when nothing is requested."""
    shown = (
        "The battery's current shows that it is charged."
        if event.into_battery
        else "The battery's current is not logged: another load may take it."
    )
    if event.constant and not event.into_battery:
        shown += " The reading does not change any more: it may be an old one."
    return Words(
        f"Charger does not stop: {number(event.amps)} A for {seconds(event.end_s - event.start_s)} after the request "
        "went to zero",
        f"The request went to zero at {event.start_s:.1f} s and was sent on as zero, and current flowed until "
        f"{event.end_s:.1f} s. {shown}",
        "Do not charge unattended. Check that the charger reads the request, its timeout, and what opens the charging "
        "path by hardware.",
        method="A charger ramps down within some seconds; what flows after 5 s and three message periods counts. A "
        "request that was zero all along, or is no longer sent, is not judged so.",
    )


def while_enabled_words(event: Event) -> Words:
    """Charging while the drive can move the vehicle."""
    return Words(
        f"Charging while the drive is enabled: {seconds(event.end_s - event.start_s)}, at {number(event.amps)} A",
        f"From {event.start_s:.1f} s, {event.what} while charging current flows. "
        + (
            "It does so in the whole log: the signal may be another one, or its `on` too wide."
            if event.constant
            else "A vehicle that is plugged in must not be able to drive away."
        ),
        "Interlock the drive with plug or charger. If the inverter only reports ready, correct `on` of inverter_state.",
        method="Both held for at least two seconds, longer than their messages lie apart.",
    )


def plug_out_words(event: Event) -> Words:
    """A plug or lock that opened while current flowed."""
    return Words(
        f"Charging {event.what} open under current: {number(event.amps)} A",
        f"The {event.what} was reported open at {event.start_s:.1f} s at the earliest; current flowed until "
        f"{event.end_s:.1f} s. Breaking a current draws an arc and wears contacts.",
        f"Check the order at the end of a charge: current to zero, contactor, lock, plug. Look at the {event.what}.",
        method="Read from the first current after the message that reports it open. A state that is late, or mapped "
        "the wrong way round, would look the same.",
    )


def _plain(value: Measured) -> Measured:
    return Measured(value.value, value.unit)


def _lasted(charge: Charge) -> str:
    return _duration(charge.session.end_s - charge.session.start_s)


def _duration(lasted_s: float) -> str:
    return seconds(lasted_s) if lasted_s < 600 else f"{lasted_s / 60:.0f} min"


def _charged(charge: Charge) -> str:
    amounts = charge.amounts
    energy = "" if amounts.energy is None else f", {quantity_text(_plain(amounts.energy))}"
    hole = f" {seconds(charge.session.missing_s)} of it are not logged." if charge.session.missing_s else ""
    return f"{quantity_text(amounts.charge)}{energy}.{hole}"


def _phases(charge: Charge) -> str:
    said = []
    held, flat = charge.session.phase(Step.CURRENT), charge.session.phase(Step.VOLTAGE)
    if held is not None:
        said.append(f"{number(held.current.value)} A for {seconds(held.lasted_s)}")
    if flat is not None:
        volts = "" if flat.voltage is None else f"{number(flat.voltage.value, 0.1)} V "
        said.append(f"{volts}for {seconds(flat.lasted_s)}, down to {number(flat.end_a)} A")
    return f"{', then '.join(said)}." if said else ""


def _efficiency(charge: Charge) -> str:
    efficiency = charge.amounts.efficiency
    return "" if efficiency is None else f"Efficiency {quantity_text(_plain(efficiency))}."


def _near(charge: Charge) -> str:
    """The limit that was come nearest to, measured by the meter's doubt."""
    if not charge.margins:
        return ""
    least = min(charge.margins, key=lambda margin: margin.left / margin.doubt)
    unit = "K" if least.unit == "°C" else least.unit
    if least.left < 0:
        beyond = quantity_text(Measured(-least.left, unit))
        name = _limited_name(least)
        doubt = "beyond the meter's doubt, too" if least.passed else "within the meter's doubt"
        return f"{name[0].upper()}{name[1:]} {beyond} beyond its limit, {doubt}."
    left = quantity_text(Measured(least.left, unit))
    return f"Smallest margin: {left}, {_limited_name(least)}, at {least.time_s:.0f} s."


def _limited_name(margin: Margin) -> str:
    """What a margin is of, within a sentence."""
    return "charger power" if margin.unit == "W" else part_name(margin.part)


def _state(charge: Charge, signals: Signals) -> str:
    said = ""
    for name, title in (("charger_state", "Charger state"), ("charger_fault", "Charger fault")):
        state = signals.get(name)
        after = np.zeros(0) if state is None else state.value[state.time_s > charge.session.end_s]
        if state is not None and after.size and not (name == "charger_fault" and _healthy(state, charge)):
            said += f"{title} afterwards: {state.label(float(after[0]))}. "
    return said


def _healthy(fault: Part, charge: Charge) -> bool:
    """Whether no fault is reported after a charge."""
    return fault.healthy is None or bool(fault.healthy[fault.time_s > charge.session.end_s].all())


def _method(charge: Charge) -> str:
    said = []
    session, taper = charge.session, charge.taper
    if not session.current.of_charger:
        said.append("The charger's current is not logged; the battery's is used while plug or charger report charging.")
    said.append(f"Current every {seconds(session.period_s)}." if session.period_s > 0 else "")
    if session.starts_cut:
        said.append("The log begins while it charges: amounts are those of the logged part.")
    if taper is not None:
        tau = quantity_text(Measured(taper.value_s, "s", taper.low_s, taper.high_s))
        load = (
            "A load in parallel with the battery is allowed for by the battery's own current."
            if taper.by_battery
            else "What other loads take is fitted as well, since the battery's current is not logged."
        )
        shape = "" if taper.single else " One exponential does not describe it: the limits span what was found."
        said.append(
            f"Taper: {tau}, from {seconds(taper.end_s - taper.start_s)} of constant voltage. {load}{shape} It is the "
            "resistance between charger and cells times the charge that each volt takes (dQ/dU): it grows with "
            "resistance, and where the open-circuit voltage is flatter. An ampere of meter offset shifts it by about "
            f"{number(100.0 / max(taper.start_a - taper.towards_a, 0.1))} %."
        )
    load_a = charge.amounts.load
    if load_a is not None and load_a.value is not None and abs(load_a.value) > _APART_A:
        said.append(
            f"Charger less battery current: {quantity_text(load_a)}: a converter, a heater, or two meters apart."
        )
    said.append(_METERS)
    return " ".join(filter(None, said))
