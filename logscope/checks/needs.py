"""What each check needs and what makes it stronger: parts that are mapped, and values of the vehicle file.

For people who prepare a vehicle file or a recording. `tests/checks/test_needs.py` holds it to what the checks do.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Needs:
    """What one check goes by.

    check : its name; shows : the question it answers, in words
    any_of : sets of parts, of which one whole set must be logged; loads : whether a `[[load]]` serves as well
    parts, keys : further parts, and values of the vehicle file as "section.key", each with what it adds
    any_key : such values of which one must be stated; none where the check runs without
    """

    check: str
    shows: str
    any_of: tuple[tuple[str, ...], ...]
    parts: Mapping[str, str]
    keys: Mapping[str, str]
    loads: bool = False
    any_key: tuple[str, ...] = ()


_CLOSING = "the moment of closing"
_POWER = "power and energy"
_NEEDS = (
    Needs(
        "precharge",
        "does the link charge as R·C says",
        (("dc_link_voltage",),),
        {
            "battery_voltage": "the final voltage and the share of the pack at closing",
            "precharge_relay": "the beginning of each attempt, also of one without a rise",
            "main_contactor": _CLOSING,
            "dc_link_voltage_second": "an independent reading of the link",
        },
        {
            "precharge.resistance_ohm": "the expected time constant, with the capacitance",
            "precharge.capacitance_uF": "the expected time constant, with the resistance",
            "precharge.resistor_energy_J": "the heat in the resistor against its rating",
        },
    ),
    Needs(
        "discharge",
        "is the link safe in time after key-off",
        (("dc_link_voltage",),),
        {"main_contactor": "the moment of opening", "battery_voltage": "a link that follows the pack"},
        {
            "dc_link.bleeder_ohm": "the expected time constant, with the capacitance",
            "dc_link.discharge_limit_s": "the time to 60 V against its limit",
        },
    ),
    Needs(
        "contactors",
        "do relays and contactors switch as they should",
        (("main_contactor",), ("negative_contactor",), ("dc_link_voltage",)),
        {
            "dc_link_voltage": "dropouts and welded contacts",
            "battery_voltage": "welded contacts",
            "battery_current": "the current at each opening",
            "precharge_relay": "the order of switching",
            "negative_contactor": "the order of switching",
        },
        {},
    ),
    Needs(
        "encoder",
        "is the motor speed clean",
        (("motor_speed",),),
        {
            "motor_current": "whether disturbances rise with current",
            "torque": "how fast the shaft can change its speed",
            "vehicle_speed": "a motor speed that leaves the road speed",
            "stator_frequency": "a motor speed that leaves the electrical frequency",
            "motor_speed_second": "an independent reading of the motor speed",
        },
        {
            "motor.rotor_inertia_kgm2": "how fast the shaft can change its speed",
            "motor.max_torque_Nm": "how fast the shaft can change its speed",
            "motor.encoder_pulses_per_rev": "ripple by its order",
            "driveline.ratio": "the road speed, with the wheel radius",
            "driveline.wheel_radius_m": "the road speed, with the ratio",
        },
    ),
    Needs(
        "trips",
        "why did the inverter stop",
        (("fault",), ("motor_current",)),
        {
            "fault": "which fault it was",
            "motor_current": "the current before the trip",
            "motor_current_target": "a quick demand, an oscillation",
            "motor_speed": "a speed disturbance before the trip",
            "dc_link_voltage": "a fall of the supply before the trip",
            "throttle": "a quick demand",
        },
        {"limits.motor_current_A": "a trip at the current limit"},
    ),
    Needs(
        "limits",
        "how near are the stated limits",
        (
            ("motor_current",), ("battery_voltage",), ("dc_link_voltage",), ("motor_temperature",),
            ("inverter_temperature",), ("coolant_temperature",), ("aux_voltage",), ("motor_speed",),
            ("cell_voltage_lowest",), ("cell_voltage_highest",), ("battery_temperature_highest",),
            ("battery_temperature_lowest",),
        ),
        {},
        {
            "limits.motor_current_A": "its margin",
            "limits.battery_min_V": "its margin",
            "limits.battery_max_V": "its margin",
            "limits.motor_temperature_C": "its margin",
            "limits.inverter_temperature_C": "its margin",
        },
        any_key=(
            "limits.motor_current_A", "limits.battery_min_V", "limits.battery_max_V", "limits.motor_temperature_C",
            "limits.inverter_temperature_C", "limits.coolant_temperature_C", "limits.aux_min_V", "limits.aux_max_V",
            "limits.cell_min_V", "limits.cell_max_V", "limits.battery_temperature_min_C",
            "limits.battery_temperature_max_C", "dc_link.max_voltage_V", "motor.max_speed_rpm",
        ),
    ),
    Needs(
        "battery",
        "what is the pack's resistance, how much energy was used",
        (("battery_voltage", "battery_current"),),
        {"motor_speed": "consumption per kilometre, with the driveline", "vehicle_speed": "consumption per kilometre"},
        {"limits.battery_min_V": "the power that is left"},
    ),
    Needs(
        "aux_supply",
        "does the 12 V side hold",
        (("aux_voltage",),),
        {
            "converter_current": "the converter's resistance",
            "aux_current": "the resistance of the 12 V battery",
            "converter_state": "a converter that should run and does not",
            "main_contactor": "the lowest voltage while contactors close",
            "coolant_pump": "which load makes it dip",
        },
        {"limits.aux_min_V": "its margin", "aux.converter_V": "the set-point of the converter"},
        loads=True,
    ),
    Needs(
        "current_control",
        "does torque or current follow its target",
        (("torque", "torque_target"), ("motor_current", "motor_current_target")),
        {"motor_speed": "at which speed it oscillates"},
        {},
    ),
    Needs(
        "driveline",
        "does the driveline judder or slip",
        (("motor_speed", "torque"), ("motor_speed", "torque_target"), ("motor_speed", "motor_current"),
         ("motor_speed", "throttle")),
        {"vehicle_speed": "slip of the wheels"},
        {"driveline.ratio": "slip, and how hard it shakes", "driveline.wheel_radius_m": "the same"},
    ),
    Needs(
        "throttle",
        "is the pedal reliable",
        (("throttle",),),
        {
            "throttle_second": "whether the two tracks agree",
            "torque_target": "the dead band, and less torque for more pedal",
            "brake": "both pedals at once",
        },
        {},
    ),
    Needs(
        "regeneration",
        "does braking by the motor keep its limits",
        (("motor_speed", "torque"), ("motor_speed", "battery_current")),
        {"battery_voltage": "braking into a full pack", "dc_link_voltage": "the margin to the link's limit"},
        {"limits.battery_max_V": "braking into a full pack", "dc_link.max_voltage_V": "the margin to the link's limit"},
    ),
    Needs(
        "machine",
        "where does the motor work, and how efficiently",
        (("torque", "motor_speed"),),
        {
            "battery_voltage": _POWER,
            "battery_current": _POWER,
            "slip": "torque against slip",
            "stator_frequency": "a synchronous motor",
            "voltage_utilisation": "field weakening",
        },
        {"motor.pole_pairs": "a synchronous motor"},
    ),
    Needs(
        "cooling",
        "does the coolant carry the heat away",
        (("motor_temperature",), ("inverter_temperature",), ("coolant_temperature",), ("coolant_temperature_out",)),
        {
            "coolant_temperature": "flow, and the rise above the coolant",
            "motor_current": "what heats",
            "coolant_pump": "a pump that is off or has no effect",
            "coolant_pump_current": "a pump that runs dry",
            "torque_target": "torque held back by heat",
        },
        {
            "cooling.continuous_current_A": "the end temperature at the continuous current",
            "limits.motor_temperature_C": "the time left to the limit",
            "limits.inverter_temperature_C": "the time left to the limit",
        },
    ),
    Needs(
        "charging",
        "does the charge go as asked, within the limits",
        (("charger_current",), ("battery_current", "charger_state"), ("battery_current", "charge_plug")),
        {
            "battery_voltage": "constant voltage, and the margin to the pack's limit",
            "battery_current": "charge and energy, and a charger that does not stop",
            "charger_current_target": "the current against what is asked",
            "charger_voltage_target": "the voltage against what is asked",
            "charge_plug": "plug and pilot, and a plug pulled under current",
            "charger_input_power": "efficiency",
            "cell_voltage_highest": "the margin of the highest cell",
        },
        {"limits.battery_max_V": "its margin", "limits.cell_max_V": "its margin"},
    ),
    Needs("bus", "is the bus sound: its load, error frames, nodes and messages", ((),), {}, {}),  # by frames alone
)  # fmt: skip
NEEDS: Mapping[str, Needs] = {needs.check: needs for needs in _NEEDS}


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether a check can run, and with what it could do more.

    runs : whether one whole set of its parts is there, and one of the values that it cannot do without
    wanted : the sets of parts of which one is wanted, where none is there; wanted_keys : likewise the values
    parts, keys : what is not there and what each would add
    """

    needs: Needs
    runs: bool
    wanted: tuple[tuple[str, ...], ...]
    wanted_keys: tuple[str, ...]
    parts: Mapping[str, str]
    keys: Mapping[str, str]


def readiness(parts: Collection[str], keys: Collection[str], *, loads: bool = False) -> list[Readiness]:
    """What each check can do with these parts, and these values of the vehicle file ("section.key").

    loads : whether the vehicle file has a `[[load]]`
    """
    return [_readiness(needs, parts, keys, loads) for needs in NEEDS.values()]


def _readiness(needs: Needs, parts: Collection[str], keys: Collection[str], loads: bool) -> Readiness:
    mapped = any(set(each) <= set(parts) for each in needs.any_of) or (needs.loads and loads)
    stated = not needs.any_key or any(key in keys for key in needs.any_key)
    return Readiness(
        needs,
        mapped and stated,
        () if mapped else needs.any_of,
        () if stated else needs.any_key,
        {part: adds for part, adds in needs.parts.items() if part not in parts},
        {key: adds for key, adds in needs.keys.items() if key not in keys},
    )
