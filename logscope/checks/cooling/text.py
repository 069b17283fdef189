"""What the findings on cooling say."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.cooling.balance import OPEN_C, Parted
from logscope.checks.cooling.derating import Derating
from logscope.checks.cooling.flow import Starved
from logscope.checks.cooling.outlook import Outlook
from logscope.checks.cooling.pump import PumpTrouble, Trouble
from logscope.checks.cooling.response import Warming
from logscope.checks.cooling.sensors import OffsetSensor, StuckSensor, SwappedSensors
from logscope.checks.cooling.thermal_log import ThermalLog
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Measured
from logscope.parts import part_name, part_title
from logscope.quantities import quantity_text

_BLEED = (
    "Let it cool. Check the coolant level, bleed the loop at its highest point, and look for return flow in the "
    "expansion tank with the pump running."
)
_RECORD = "Record motor current, temperatures and pump over ten minutes of driving with firm and gentle stretches."
_LEAST_RISE_K = 0.05  # less would be written as 0.0
_HEATS = {"loss": "logged loss", "power": "battery power"}


def response_words(warming: Warming, outlook: Outlook, log: ThermalLog) -> Words:
    """How a device warms, and where it ends."""
    fit, measured = warming.fit, outlook.measured
    name = part_title(warming.part)
    value_s, low_s, high_s = warming.time_constant_s
    constant = quantity_text(Measured(value_s, "s", low_s, high_s))
    beside = "coolant" if warming.reference is not None else "surroundings"
    at_load = measured.get("continuous_end_temperature_C")
    end, load = (at_load, "the continuous current") if at_load is not None else (
        measured["end_temperature_C"], "the mean load of this log"
    )  # fmt: skip
    said = [
        f"Time constant {constant}. With the {beside} at {outlook.beside_C:.0f} °C, {load} ends at "
        f"{quantity_text(end)}."
    ]
    step = "Keep this log as a reference: a higher rise for the same current later means less flow or a worse contact."
    if outlook.limit_C is None:
        said.append("No limit is configured.")
    elif outlook.passes:
        said.append(f"That is above the limit of {outlook.limit_C:.0f} °C.")
        step = "Lower the continuous current, or improve flow, radiator or thermal contact; then record it again."
    elif outlook.may_pass:
        said.append(f"The interval reaches the limit of {outlook.limit_C:.0f} °C.")
        step = _RECORD
    else:
        said.append(f"The limit is {outlook.limit_C:.0f} °C.")
    if outlook.left_s is not None:
        said.append(f"At the mean load of this log the limit is reached in {seconds(outlook.left_s)}.")
    verdict = f"ends at {end.value:.0f} °C under {load}"
    return Words(
        f"{name}: {verdict}",
        " ".join(said),
        step,
        hands_near_hv=False,
        method=(
            f"One body that is heated by {_heated_by(warming)} and gives its heat "
            "to the "
            f"{_reference(warming)}, fitted every {seconds(log.step_s)}; residuals {fit.scatter:.2g} K. The end "
            "assumes "
            "that flow, fan and coolant stay as in the last minute. The coolant itself warms with a long load. Machine "
            "windings are classed by rise above 40 °C: 80 K (B), 105 K (F), 125 K (H), IEC 60034-1."
        ),
    )


def _heated_by(warming: Warming) -> str:
    if warming.squared is None:
        return _HEATS[warming.heat]
    return {0.0: "current", 1.0: "current squared"}.get(warming.squared, "current and current squared")


def _reference(warming: Warming) -> str:
    return "surroundings, which stay as they are" if warming.reference is None else part_name(warming.reference)


def undetermined_words(part: str, why: str) -> Words:
    """No response can be given."""
    return Words(
        f"{part_title(part)}: warming cannot be determined from this log",
        f"Time constant and end temperature are unknown: {why}.",
        _RECORD,
        hands_near_hv=False,
    )


def flow_words(starved: Starved, troubles: Sequence[PumpTrouble], pumped: bool) -> Words:
    """Coolant that does not flow, or not always."""
    device, coolant = part_name(starved.part), part_name(starved.coolant)
    air = starved.returns >= 2
    when = "in the whole log" if starved.whole else f"from {starved.spans[0][0]:.0f} s on"
    title = f"Coolant flow: {'comes and goes, lost ' + times(len(starved.spans)) if air else 'none ' + when}"
    title += f", {device} up to {starved.excess_K:.0f} K above the coolant"
    off = any(trouble.what is Trouble.OFF for trouble in troubles)
    stopped = any(trouble.what is Trouble.STOPPED for trouble in troubles)
    pump = (
        f"The pump is reported off{', as one that starts by temperature would be' if starved.by_temperature else ''}."
        if off
        else "The pump is on but does not turn."
        if stopped
        else "The pump is reported on, without effect."
        if pumped
        else "The pump is not seen to be on: one that starts by temperature would look the same."
        if starved.by_temperature
        else "The pump is not seen to be on."
    )
    heavy = " A heavy heat sink on little flow would look the same." if starved.heavy else ""
    flowing = "" if starved.flowing_s is None else f", {quantity_text(starved.flowing_s)} while it flows"
    return Words(
        title,
        f"The {device} falls back to the coolant with a time constant of more than {seconds(starved.time_constant_s)}"
        f"{flowing}. The {coolant} {_rose(starved.coolant_K)} meanwhile. {pump}{heavy}",
        "Check fuse, relay and supply of the pump." if off or stopped else _BLEED,
        hands_near_hv=False,
        method=(
            "Balance of the device over windows of ten seconds: change = heat − λ·excess over the coolant, with one "
            "or two "
            "values of λ. A sensor that is not on this loop, a heat sink cooled by air, or a definition that shows "
            "another "
            "device's temperature would look the same: check what the vehicle file maps. A thermostat that is closed "
            "keeps "
            "a sensor at the radiator cold, but the device then still answers its load quickly."
        ),
    )


def parted_words(parted: Parted) -> Words:
    """Inlet and outlet that part beyond what the heat explains."""
    flow = quantity_text(Measured(parted.flow_L_per_min, "L/min"))
    alike = (
        " One of the two hardly moves: a stuck sensor would look the same."
        if not parted.moves
        else ""
        if parted.open
        else f" Below {OPEN_C:.0f} °C a closed thermostat would look the same."
    )
    return Words(
        f"Coolant flow: at most {flow}, inlet and outlet {parted.apart_K:.0f} K apart",
        f"From {parted.start_s:.0f} to {parted.end_s:.0f} s the outlet stood at least {parted.apart_K:.0f} K above the "
        f"inlet, and there was at most {quantity_text(Measured(parted.heat_W, 'W'))} of heat to take up. That leaves "
        f"{flow} at most; sound loops carry 6 L/min and more.{alike}",
        f"Check that both signals are coolant temperatures. {_BLEED}",
        hands_near_hv=False,
        method=(
            "Energy balance of a stream, heat = density·heat capacity·flow·difference, for water with half glycol. The "
            "heat is at most what the battery gave and the shaft did not take, with the meters' doubt, and what motor, "
            "heat sink and coolant gave off as they cooled. Sensors may differ by 2 K. A sensor on a hot body instead "
            "of in the coolant, or a definition that shows another temperature, would look the same."
        ),
    )


def pump_words(trouble: PumpTrouble) -> Words:
    """What the pump's own signals show."""
    name = part_title(trouble.part)
    if trouble.what is Trouble.OFF:
        device = part_name(trouble.device or "")
        return Words(
            f"{name}: never on, while the {device} warmed by {trouble.warmed_K or 0:.0f} K",
            f"The pump is off in the whole log, and the {device} warmed by {trouble.warmed_K or 0:.0f} K.",
            "Check what switches the pump on, its relay and fuse. If it did run, check the signal that is mapped.",
            hands_near_hv=False,
            method="A controller may start the pump only above a temperature: compare with its settings.",
        )
    if trouble.what is Trouble.STOPPED:
        return Words(
            f"{name}: zero while the pump is on, {times(len(trouble.spans))}",
            "The pump is switched on, but neither turns nor draws current as far as that is logged.",
            "Check its fuse, plug and ground, then the pump. If it did run, check the signals that are mapped.",
            hands_near_hv=False,
        )
    seen, usual = quantity_text(Measured(trouble.seen_A, "A")), quantity_text(Measured(trouble.usual_A, "A"))
    rival = (
        "" if trouble.speed_known else " Its speed is not logged: a controller that slows it down would look the same."
    )
    probably = "the pump probably runs dry" if trouble.speed_known else "the pump runs slowly or dry"
    return Words(
        f"{name}: {seen} instead of {usual}, {probably}",
        f"The pump draws {seen}, where it usually draws "
        f"{usual}{' at the same speed' if trouble.speed_known else ''}: it "
        f"moves little or no coolant.{rival}",
        _BLEED,
        hands_near_hv=False,
        method=(
            "Compared with the upper quarter of its current in this log. A pump that is dry takes about half (common "
            "practice, no published source)."
        ),
    )


def stuck_words(stuck: StuckSensor) -> Words:
    """A temperature that stands still."""
    return Words(
        f"{part_title(stuck.part)}: stuck at {stuck.value_C:g} °C for {seconds(stuck.end_s - stuck.start_s)}",
        f"It kept one value, while the load varied and {part_name(stuck.other)} moved by {stuck.moved_K:.0f} K. Its "
        "warming "
        "is not judged.",
        "Check sensor, plug and wiring, and whether its device still measures it.",
        hands_near_hv=False,
    )


def offset_words(offset: OffsetSensor) -> Words:
    """A temperature that differs from the others before the first load."""
    if offset.rival is not None:
        return _apart_words(offset, offset.rival)
    return Words(
        f"{part_title(offset.part)}: {offset.offset_K:+.1f} K off the others at the cold start",
        f"Before any load the other temperatures agree on {offset.others_C:.0f} °C; this one is "
        f"{offset.offset_K:+.1f} K off, "
        "in the direction that warmth of the last drive cannot explain.",
        "Compare it with a thermometer after a night of standing; check the sensor's type and its pull-up, and scale "
        "and "
        "offset in the definition.",
        hands_near_hv=False,
        method=(
            "Motor, heat sink and the coolant in them keep warmth longest, the radiator loses it first. After a night "
            "sound sensors read within 3 K of each other (common practice, no published source)."
        ),
    )


def _apart_words(offset: OffsetSensor, rival: str) -> Words:
    """Two temperatures apart, with no third one to say which of them is wrong."""
    return Words(
        f"{part_title(offset.part)} and {part_name(rival)}: {abs(offset.offset_K):.1f} K apart at the cold start",
        f"Before any load {part_name(offset.part)} reads {offset.others_C + offset.offset_K:.0f} °C and "
        f"{part_name(rival)} {offset.others_C:.0f} °C. Warmth of the last drive does not explain it. Which of the two "
        "is off cannot be determined: no third temperature is logged.",
        "Compare both with a thermometer after a night of standing; check the sensors' types, and scale and offset in "
        "the definition.",
        hands_near_hv=False,
        method="The motor and the heat sink keep warmth longer than the coolant. Sun on the radiator would look alike.",
    )


def swapped_words(swapped: SwappedSensors) -> Words:
    """Inlet and outlet the wrong way round."""
    difference = quantity_text(Measured(swapped.difference_K, "K", swapped.low_K, swapped.high_K))
    return Words(
        f"Coolant inlet and outlet: swapped, {number(swapped.difference_K)} K under load",
        f"Under load the coolant leaves colder than it comes: outlet less inlet changes by {difference}. The two are "
        "swapped "
        "in the mapping or at the plugs, or the coolant flows the other way round.",
        "Warm one sensor by hand and see which signal moves; then swap the two lines in the vehicle file, or the "
        "plugs.",
        hands_near_hv=False,
    )


def derating_words(derating: Derating) -> Words:
    """Torque held back by heat."""
    percent = quantity_text(Measured(100 * derating.share, "%", 100 * derating.low, 100 * derating.high))
    return Words(
        f"{part_title(derating.part)}: torque held back to {100 * derating.share:.0f} % near the limit",
        f"Within 15 K of the limit of {derating.limit_C:.0f} °C the pedal gives {percent} of the torque that it "
        "gives when "
        f"cooler, at the same speeds. The highest reading was {derating.hottest_C:.0f} °C.",
        "Improve the cooling or lower the load, if this power is needed for longer.",
        hands_near_hv=False,
        method="A power limit of the battery that falls in the same minutes would look the same.",
    )


def _rose(change_K: float) -> str:
    return f"rose by {change_K:.1f} K" if change_K >= _LEAST_RISE_K else "did not rise"
