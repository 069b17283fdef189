"""Causes: what can be wrong, how often it then shows each sign, the test that decides, and what to do.

Probabilities are common practice of commissioning, no published source, in coarse steps (see `diagnosis`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from logscope.diagnosis.network import Node

# How often a cause is at work in a log in which something is wrong.
_COMMON, _USUAL, _RARE = 0.04, 0.02, 0.01
# How often a cause that is at work shows a sign where that was looked for.
_ALWAYS, _MOSTLY, _OFTEN, _SOMETIMES, _SELDOM = 0.97, 0.8, 0.5, 0.2, 0.05


@dataclass(frozen=True, slots=True)
class Cause:
    """One origin of findings.

    name : in the JSON; title : in words; node : prior, and how often it shows each sign
    test : the one test that decides; actions : what keeps people safe first, then by cost and likelihood
    Either asks for hands near high voltage only with it off and proven dead, or of a person trained for it.
    """

    name: str
    title: str
    node: Node
    test: str
    actions: tuple[str, ...]


def _cause(name: str, title: str, prior: float, shows: Mapping[str, float], test: str, *actions: str) -> Cause:
    return Cause(name, title, Node(prior, shows), test, actions)


_OFF = "Power off, isolated and proven dead:"
_WAIT = "Do not power up again until this is fixed."
_TWELVE_VOLTS = "High voltage isolated and proven dead, only the 12 V side on:"
_HIGH_VOLTAGE = (
    _cause(
        "precharge_resistance",
        "Precharge resistance or link capacitance above its configured value",
        _COMMON,
        {"slow": _ALWAYS, "precharge_drifts": _SOMETIMES, "resistor_heat": _SOMETIMES, "closed_early": _SOMETIMES,
         "stalled": _SELDOM},
        f"{_OFF} measure the resistor cold, and count what is connected to the link.",
        f"{_OFF} measure the precharge resistor cold, and compare it with its marking.",
        "Count the capacitance on the link: a second inverter, a converter, a charger or a heater adds to it.",
        "Correct the vehicle file where the parts are as intended; replace the resistor where it has drifted.",
    ),
    _cause(
        "precharge_too_fast",
        "Precharge resistance or link capacitance below its configured value",
        _USUAL,
        {"fast": _ALWAYS, "resistor_heat": _SELDOM, "closed_early": _SELDOM},
        f"{_OFF} measure the resistor cold, and check that every device on the link is connected.",
        f"{_OFF} measure the precharge resistor cold; look for a bridge across it.",
        "Check that every device which the configured capacitance counts is connected to the link.",
    ),
    _cause(
        "load_on_link",
        "A load on the link while it is precharged",
        _COMMON,
        {"load_on_link": _MOSTLY, "stalled": _MOSTLY, "slow": _SELDOM, "closed_early": _SOMETIMES,
         "interrupted": _SELDOM, "resistor_heat": _SOMETIMES, "precharge_drifts": _SELDOM},
        "Precharge once with every consumer on the link switched off.",
        "Switch converters, heaters and compressors on the link only after the main contactor has closed.",
        f"{_OFF} measure the resistance across the link with the consumers connected, then without.",
        "Have a trained person check the insulation of what loads the link although it is switched off.",
    ),
    _cause(
        "precharge_path_open",
        "The precharge path does not conduct",
        _USUAL,
        {"no_rise": _ALWAYS, "stalled": _SELDOM},
        f"{_OFF} check the path for continuity: fuse, relay contact, resistor, service disconnect.",
        "Make no further attempt until the resistor is cold: heat may have opened it.",
        f"{_OFF} check fuse, precharge relay, resistor and service disconnect for continuity.",
        f"{_TWELVE_VOLTS} check the voltage of the relay's coil, and that the negative contactor closes.",
    ),
    _cause(
        "precharge_relay_releases",
        "The precharge relay or its supply releases",
        _USUAL,
        {"interrupted": _ALWAYS, "chatter": _OFTEN, "switches_at_dips": _SELDOM},
        "Log the 12 V supply at the relay's coil while it releases.",
        f"{_OFF} check connector and ground of the relay's coil.",
        "Check what commands the relay: a time-out of the controller releases it as well.",
    ),
    _cause(
        "closing_rule",
        "The main contactor is commanded too early",
        _USUAL,
        {"closed_early": _ALWAYS, "order": _SOMETIMES, "bypassed": _SOMETIMES},
        "Compare the controller's closing rule, time or share of the pack, with the measured curve.",
        "Do not power up again until this is fixed: each early closing may weld the contacts.",
        "Set the controller to close at its share of the pack's voltage, not after a fixed time.",
    ),
    _cause(
        "precharge_bridged",
        "The precharge resistor is bridged, or the link was joined to the pack without it",
        _USUAL,
        {"bypassed": _ALWAYS, "order": _SOMETIMES},
        f"{_OFF} measure the precharge resistor, and across the open main contactor.",
        f"{_WAIT} The link may be live with the contactors commanded open.",
        f"{_OFF} measure the precharge resistor, and across both contactors for welded contacts.",
        "Check the order of the commands: negative contactor, precharge relay, then main contactor.",
    ),
    _cause(
        "bleeder_open",
        "The link's discharge path is weak or open",
        _USUAL,
        {"slow_discharge": _OFTEN, "stays_live": _OFTEN},
        f"{_OFF} measure the resistance across the link.",
        "Treat the link as live: wait longer, and have a trained person prove it dead.",
        f"{_OFF} measure the bleeder across the link, and compare it with the vehicle file.",
    ),
    _cause(
        "contactor_welded",
        "A contactor is welded",
        _USUAL,
        {"follows_pack": _MOSTLY, "stays_live": _MOSTLY, "bypassed": _SOMETIMES, "order": _SOMETIMES},
        "Service disconnect open, link proven dead: a trained person measures the resistance across each contactor.",
        "Keep everyone away from the high-voltage side: it stays joined to the pack.",
        "With no current flowing, have a trained person open the service disconnect, and prove the link dead.",
        "Then have the resistance across each contactor measured.",
        "Have the welded contactor replaced, and find what welded it: an early closing, or an opening under load.",
    ),
    _cause(
        "contactor_supply",
        "A contactor's coil, connector or interlock lets it open",
        _USUAL,
        {"dropout": _ALWAYS, "chatter": _OFTEN, "trip_after_supply": _SOMETIMES, "other_trip": _SOMETIMES,
         "battery_high": _SELDOM, "charge_supply": _SELDOM, "opened_under_load": _SELDOM, "judder": _OFTEN,
         "closed_early": _SOMETIMES, "bypassed": _SOMETIMES, "trip_sudden": _SELDOM},
        "Log the 12 V supply at the coil while it opens: a steady one points to the command or the interlock.",
        f"{_OFF} check the coil's connector, ground and economiser, and every contact of the interlock loop.",
        "Look in the controller's log for what commanded the contactor open.",
        "Have the contacts inspected: an opening under current wears them.",
    ),
    _cause(
        "opened_by_command",
        "A contactor is commanded open while current flows",
        _USUAL,
        {"opened_under_load": _ALWAYS, "other_trip": _SOMETIMES},
        "Check what the controller does at key-off or fault: torque to zero first, then the contactor.",
        "Bring torque to zero before the contactor opens.",
        "Have the contacts inspected: each opening under current wears them.",
    ),
    _cause(
        "weak_pack",
        "The pack, or a joint in its path, has a high resistance",
        _USUAL,
        {"battery_resistance": _MOSTLY, "battery_low": _OFTEN, "trip_after_supply": _SOMETIMES},
        "Compare the resistance from the log with the cells' data sheet and the sum of the joints.",
        "Limit the current until it is clear: a joint of high resistance can start a fire.",
        "Compare the logged cell voltages under load: one that falls first is weak or empty.",
        "Have a person trained for live packs check the busbar joints: a pack cannot be switched off.",
    ),
    _cause(
        "full_pack",
        "Regeneration is not limited near a full pack",
        _USUAL,
        {"full_pack": _ALWAYS, "battery_high": _OFTEN, "braking_near_limit": _OFTEN, "other_trip": _SOMETIMES},
        "Check the inverter's voltage limit for braking against the pack's highest voltage.",
        "Do not brake by the motor with a full pack until its voltage limit is set.",
        "Set the limits of charging current and voltage for regeneration.",
    ),
)  # fmt: skip
_DRIVE = (
    _cause(
        "encoder_interference",
        "Interference on the encoder's wiring",
        _COMMON,
        {"spikes": _MOSTLY, "bursts": _SOMETIMES, "rises_with_current": _MOSTLY, "at_switching": _SELDOM,
         "speed_drops": _SOMETIMES, "speed_reverses": _SOMETIMES, "speed_noise": _SOMETIMES,
         "trip_after_encoder": _SOMETIMES, "current_limit": _SOMETIMES, "other_trip": _SELDOM,
         "trip_unclear": _SOMETIMES, "oscillation": _SOMETIMES, "overshoot": _SOMETIMES, "judder": _SELDOM},
        "Repeat the drive with a screened cable laid apart from the phase cables, and compare the rates.",
        f"{_OFF} check that the encoder's screen is unbroken, bonded as its makers specify, and its pairs twisted.",
        "Lay the cable apart from the phase cables, crossing them at right angles.",
        "Record the same drive again and compare the two logs.",
    ),
    _cause(
        "encoder_connection",
        "A loose connection of the encoder, or a damaged one",
        _COMMON,
        {"speed_drops": _OFTEN, "holds": _OFTEN, "spikes": _SOMETIMES, "speed_reverses": _SOMETIMES,
         "bursts": _SOMETIMES, "speed_departs": _SOMETIMES, "trip_after_encoder": _SOMETIMES,
         "current_limit": _SOMETIMES, "other_trip": _SELDOM, "trip_unclear": _SOMETIMES, "judder": _SELDOM,
         "oscillation": _SELDOM},
        f"{_TWELVE_VOLTS} move the connectors while the motor is turned by hand and its speed is logged.",
        f"{_OFF} check the encoder's pins, supply and ground; pull gently at each wire.",
        f"{_TWELVE_VOLTS} turn the shaft by hand, and watch the logged speed while the cable is moved.",
    ),
    _cause(
        "encoder_mounting",
        "The encoder is off centre, or has lost lines",
        _USUAL,
        {"ripple": _ALWAYS, "speed_noise": _SOMETIMES},
        "Compare the ripple at two steady speeds: it keeps its number of periods a turn.",
        f"{_OFF} check the encoder's seat, its run-out and the gap to its sensor.",
        "Look for damaged or dirty lines or teeth.",
    ),
    _cause(
        "encoder_scale",
        "The configured pulses, pole pairs, ratio or wheel do not fit the motor speed",
        _USUAL,
        {"speed_scale": _ALWAYS, "speed_departs": _SOMETIMES, "energy": _SOMETIMES},
        f"{_TWELVE_VOLTS} wheels raised, turn one ten times by hand; count the motor's turns in the log.",
        "Compare pulses per turn, pole pairs, ratio and wheel radius in inverter and vehicle file.",
    ),
    _cause(
        "controller_restarts",
        "A controller restarts while driving",
        _USUAL,
        {"restarts": _ALWAYS, "silent": _OFTEN, "speed_drops": _SOMETIMES, "speed_departs": _SOMETIMES,
         "other_trip": _SOMETIMES},
        "Log the 12 V supply at the controller: a dip before each restart is the supply's fault.",
        f"{_OFF} check supply and ground of the controller.",
        "Read its own log for the reason of the restart.",
    ),
    _cause(
        "loop_gain",
        "The current or torque loop is tuned too sharply",
        _USUAL,
        {"oscillation": _MOSTLY, "overshoot": _OFTEN, "trip_after_oscillation": _OFTEN, "current_limit": _SOMETIMES,
         "judder": _SOMETIMES, "other_trip": _SELDOM, "trip_sudden": _SOMETIMES, "trip_unclear": _SOMETIMES,
         "trip_after_demand": _SOMETIMES},
        "Halve the loop's gain, and repeat the same drive.",
        "Halve the proportional gain of the current loop before driving on.",
        "Check the motor parameters in the inverter: a wrong inductance or time constant destabilises the loop.",
    ),
    _cause(
        "quick_demand",
        "Torque is demanded faster than the current loop can follow",
        _USUAL,
        {"trip_after_demand": _ALWAYS, "overshoot": _OFTEN, "current_limit": _SOMETIMES, "pedal_jumps": _SOMETIMES,
         "judder": _SOMETIMES},
        "Repeat the same press of the pedal with a slower torque ramp.",
        "Limit the rise of the demand in the inverter.",
        "Check the current loop's damping at this demand.",
    ),
    _cause(
        "current_limit",
        "The configured current limit is at or above the inverter's trip level",
        _USUAL,
        {"trip_at_limit": _ALWAYS, "current_limit": _OFTEN, "judder": _SOMETIMES},
        "Lower the current limit by a tenth, and repeat the same drive.",
        "Set the current limit at least a tenth below the trip level.",
        "Check the scale of the current sensors.",
    ),
    _cause(
        "short_circuit",
        "A fault in phase cables, motor or power stage, or of the current measurement",
        _USUAL,
        {"trip_sudden": _MOSTLY, "trip_unclear": _SOMETIMES, "current_limit": _SOMETIMES, "other_trip": _SELDOM,
         "judder": _SOMETIMES},
        "Have a trained person measure the insulation of phase cables and motor.",
        f"{_WAIT} Have a trained person measure the insulation of phase cables and motor.",
        f"{_OFF} inspect the phase connections, and the connector of the current sensors.",
    ),
    _cause(
        "judder",
        "The driveline oscillates after quick changes of torque",
        _USUAL,
        {"judder": _ALWAYS},
        "Repeat the drive with a slower torque ramp.",
        "Slow the torque ramp, or use the inverter's damping of the driveline.",
        "Check mounts, couplings and play of the driveline.",
    ),
    _cause(
        "pedal",
        "The pedal's sensor, or its wiring",
        _USUAL,
        {"pedal_tracks": _MOSTLY, "pedal_jumps": _MOSTLY, "pedal_noise": _OFTEN, "trip_after_demand": _SELDOM},
        "Press the pedal slowly at standstill, drive disabled, and look at both tracks.",
        "Do not drive before both tracks agree.",
        "Check the supply, ground and connector of the pedal; press it slowly with the drive disabled.",
    ),
)  # fmt: skip
_HEAT = (
    _cause(
        "coolant_flow",
        "The coolant does not move",
        _USUAL,
        {"no_flow": _MOSTLY, "pump_off": _OFTEN, "pump_stopped": _SOMETIMES, "pump_dry": _SOMETIMES,
         "hot": _SOMETIMES, "derating": _SOMETIMES, "temperature_limit": _SOMETIMES},
        "Look at the flow in the expansion tank with the pump switched on.",
        "Do not load the drive before the coolant is seen to move.",
        "Check the pump's supply, fuse and relay, and the direction of flow.",
        "Look for a kinked hose and a closed tap.",
    ),
    _cause(
        "coolant_missing",
        "The pump draws air: coolant is missing",
        _USUAL,
        {"pump_dry": _ALWAYS, "no_flow": _OFTEN, "air": _SOMETIMES, "hot": _SELDOM, "temperature_limit": _SELDOM},
        "Look at the level in the expansion tank, cold and with the pump running.",
        "Do not load the drive before the loop is full.",
        "Once it is cold, top up, bleed the loop, and look for a leak.",
    ),
    _cause(
        "air_in_loop",
        "Air in the coolant loop",
        _USUAL,
        {"air": _ALWAYS, "pump_dry": _OFTEN, "no_flow": _SOMETIMES, "hot": _SELDOM, "temperature_limit": _SELDOM},
        "Bleed the loop, top up, and repeat the drive.",
        "Once it is cold, bleed the loop at its highest points with the pump running, and top up.",
    ),
    _cause(
        "too_much_heat",
        "More heat than the cooling carries away at this load",
        _USUAL,
        {"hot": _MOSTLY, "derating": _OFTEN, "temperature_limit": _OFTEN},
        "Repeat the load with a fan on the radiator, and compare the end temperatures.",
        "Reduce the continuous current until the end temperature is within its limit.",
        "Check radiator, fan and the thermal contact of the device.",
    ),
    _cause(
        "temperature_sensor",
        "A temperature sensor, its wiring or its place",
        _USUAL,
        {"temperature_sensor": _ALWAYS, "derating": _SELDOM},
        "Let the vehicle stand overnight: all temperatures must then agree.",
        "Compare the sensors after a night, all cold.",
        "Check type and connector of the sensor that differs.",
    ),
)  # fmt: skip
_LOW_VOLTAGE = (
    _cause(
        "loose_low_voltage",
        "A loose connection of the 12 V supply or its ground",
        _COMMON,
        {"aux_loose": _MOSTLY, "switches_at_dips": _OFTEN, "chatter": _SOMETIMES, "dropout": _SOMETIMES,
         "restarts": _SOMETIMES, "silent": _SOMETIMES, "aux_low": _SOMETIMES, "interrupted": _SELDOM,
         "aux_resistance": _SOMETIMES},
        f"{_TWELVE_VOLTS} move its supply and ground cables while it is logged.",
        f"{_OFF} check and tighten the 12 V posts, the ground strap and the fuse holder.",
        "Measure the voltage drop from the 12 V battery to the controller under load, on both sides.",
    ),
    _cause(
        "low_voltage_resistance",
        "The 12 V side is weak: battery, cable or fuse",
        _COMMON,
        {"aux_resistance": _ALWAYS, "aux_low": _OFTEN, "switches_at_dips": _SOMETIMES, "interrupted": _SOMETIMES,
         "chatter": _SOMETIMES, "aux_battery_empty": _SOMETIMES},
        "Measure at the 12 V battery and at the 12 V load while the load switches.",
        "Charge and test the 12 V battery.",
        "Check the section and the joints of the cable to what dips.",
    ),
    _cause(
        "converter_not_feeding",
        "The DC-DC converter does not charge the 12 V battery",
        _COMMON,
        {"converter_off": _MOSTLY, "aux_low": _OFTEN, "aux_battery_empty": _SOMETIMES, "aux_resistance": _SOMETIMES},
        "Measure at the posts of the 12 V battery while the converter should run.",
        "Do not drive: the 12 V battery alone holds contactors and steering.",
        f"{_OFF} check the converter's enable line, its 12 V fuse and its 12 V connection.",
    ),
    _cause(
        "converter_weak",
        "The DC-DC converter cannot hold its voltage",
        _USUAL,
        {"converter_sags": _ALWAYS, "aux_low": _OFTEN, "aux_resistance": _SOMETIMES},
        "Measure the converter's current at the 12 V battery cable, at this load, against its rating.",
        "Compare the load with the converter's rating; look for heat.",
    ),
    _cause(
        "low_voltage_battery",
        "The 12 V battery is empty or worn",
        _USUAL,
        {"aux_battery_empty": _ALWAYS, "aux_low": _OFTEN, "aux_resistance": _SOMETIMES},
        "Charge the 12 V battery fully, let it rest for some hours, and measure it.",
        "Charge and test the 12 V battery.",
        "Look for what draws current with everything switched off.",
    ),
    _cause(
        "converter_voltage",
        "The DC-DC converter is set too high",
        _USUAL,
        {"aux_over_voltage": _ALWAYS},
        "Measure the 12 V side at the battery with a meter.",
        "Lower the converter's set-point to what the battery's makers state.",
    ),
    _cause(
        "backfeed",
        "A load is fed through a second path",
        _USUAL,
        {"backfeed": _ALWAYS},
        f"{_TWELVE_VOLTS} pull the fuse of the load: what stays on is fed from elsewhere.",
        f"{_TWELVE_VOLTS} pull one fuse after the other, and find what still feeds the load.",
        "Separate the two circuits with a relay of its own or a diode.",
    ),
)  # fmt: skip
_CHARGING = (
    _cause(
        "charger_settings",
        "The charger does not keep the voltage or current asked for, or one of the meters is off",
        _USUAL,
        {"charge_off_target": _ALWAYS, "charge_limit": _OFTEN, "battery_high": _SOMETIMES},
        "Have a trained person compare the charger's meter and the pack's with a calibrated one.",
        "Do not charge before it is clear which meter is right.",
        "Check the charger's settings, and the scale of its messages.",
    ),
    _cause(
        "charge_limit",
        "The charge ends above a limit of the pack",
        _USUAL,
        {"charge_limit": _ALWAYS, "battery_high": _OFTEN, "charge_off_target": _SOMETIMES},
        "Compare the end voltage asked for with the pack's limit.",
        "Do not charge again before the end voltage is lowered.",
        "Check that the pack's supervision can stop the charger by itself.",
    ),
    _cause(
        "charger_control",
        "The charger does not obey the end of its request",
        _USUAL,
        {"charge_on": _ALWAYS, "charge_limit": _SOMETIMES},
        "Attended, with the pack far from full, end the request once, and watch the current.",
        "Do not charge until this is fixed: the charger must stop when the request ends.",
        "Check the charger's time-out for lost messages, and the line that disables it.",
    ),
    _cause(
        "charge_communication",
        "Messages between pack and charger stay away",
        _USUAL,
        {"charge_silent": _ALWAYS, "silent": _OFTEN},
        "Log the charger's bus with the charger on and off.",
        f"{_OFF} check wiring and termination of the charger's bus.",
    ),
    _cause(
        "charge_supply",
        "The supply of the charger goes, or its plug is pulled",
        _USUAL,
        {"charge_supply": _ALWAYS, "plug_out": _SELDOM},
        "Charge once more from another outlet.",
        "Unplugged at both ends, look at cable and plug for burnt contacts; use none that is damaged.",
        "Have an electrician check outlet and fuse.",
    ),
    _cause(
        "plug_pulled",
        "The plug is pulled while current flows",
        _USUAL,
        {"plug_out": _ALWAYS, "charge_supply": _OFTEN},
        "Press the release on the vehicle, and leave the plug in: the logged current must end.",
        "Stop the charge before pulling the plug.",
        "Have lock and pilot contact checked: the pilot must end the current before the contacts part.",
    ),
    _cause(
        "charge_interlock",
        "The drive can be enabled while the plug is in",
        _USUAL,
        {"charge_enabled": _ALWAYS},
        "Wheels off the ground, turn the key with the plug in and no current: the drive must stay disabled.",
        "Interlock the drive with the plug before the vehicle is charged again.",
    ),
    _cause(
        "charge_stopped",
        "The charger or the pack's supervision ends the charge",
        _USUAL,
        {"charge_stops": _ALWAYS},
        "Read the charger's fault and the pack's lowest and highest cell at the stop.",
        "Read the fault that the charger shows, and the cells' voltages and temperatures at the stop.",
    ),
)  # fmt: skip
_LOG = (
    _cause(
        "mapping",
        "A signal's definition or its mapping is wrong",
        _COMMON,
        {"mapping": _ALWAYS, "energy": _SOMETIMES, "speed_scale": _SELDOM, "order": _SELDOM,
         "charge_off_target": _SELDOM, "temperature_sensor": _SELDOM, "battery_resistance": _SELDOM},
        "Compare one logged value with an independent one; high voltage is measured by trained people.",
        "Check scale, sign, byte order and name of the signal in definitions and vehicle file.",
        "Correct it, and check the same log again: no new recording is needed.",
    ),
    _cause(
        "signal_unfilled",
        "A controller does not fill a signal that is mapped",
        _COMMON,
        {"unfilled": _ALWAYS},
        "Look at the raw bytes of the message: they keep the mark for “no value”.",
        "Map another signal for this part, or leave the part out of the vehicle file.",
    ),
    _cause(
        "identifier_shared",
        "Two devices send with one identifier",
        _USUAL,
        {"two_contents": _ALWAYS, "silent": _SELDOM},
        f"{_TWELVE_VOLTS} unplug one device after the other, and see which content stays away.",
        "Give one of the two devices another identifier.",
    ),
    _cause(
        "log_clock",
        "The logger's clock is wrong",
        _USUAL,
        {"clock": _ALWAYS},
        "Record a minute, and compare its length with a watch.",
        "Check the logger's time settings; record again where a duration matters.",
    ),
)  # fmt: skip
CAUSES: Mapping[str, Cause] = {
    cause.name: cause for cause in (*_HIGH_VOLTAGE, *_DRIVE, *_HEAT, *_LOW_VOLTAGE, *_CHARGING, *_LOG)
}
