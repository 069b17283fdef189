"""What a name must say, and must not say, for its signal to be thought of as a part."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass

from logscope.draft.words import Word

# Points of a name that says plainly what the signal is, and of one that half says it. With the point for the unit
# a plain name is enough; half a name needs the log's support. See `scoring.SURE`.
PLAIN, HALF = 2.0, 1.0


@dataclass(frozen=True, slots=True)
class Profile:
    """The names of one part.

    subjects : points by what the name speaks of; the best one counts
    supports : a word that makes it plainer: the quantity, which a unit can stand for, or the kind of switch
    needs : words that the signal's own name must hold, unless the names say nothing at all
    forbids : words that make it another signal
    by_name : whether nothing that it does in a log sets it apart, so that only a name can
    """

    subjects: Mapping[Word, float]
    supports: Word | None = None
    needs: frozenset[Word] = frozenset()
    forbids: frozenset[Word] = frozenset()
    by_name: bool = False


_W = Word
# A limit, an extreme or another quantity is never the part itself, unless the part is just that.
_NEVER = frozenset(
    {_W.LIMIT, _W.OTHER, _W.LOWEST, _W.HIGHEST, _W.POWER, _W.FAN, _W.PLUG, _W.LOCK, _W.CELL, _W.CHARGE_LEVEL}
)
_SWITCH = frozenset({_W.FAULT, _W.OVERCURRENT, _W.VOLTAGE, _W.CURRENT, _W.TEMPERATURE, _W.STATE, _W.CHARGER})
_CONTACTS = _SWITCH - {_W.STATE}  # "MainContactorState" is what the contactor does


def _profile(
    subjects: Mapping[Word, float],
    supports: Word | None = None,
    needs: frozenset[Word] = frozenset(),
    forbids: frozenset[Word] = frozenset(),
) -> Profile:
    return Profile(subjects, supports, needs, (_NEVER | forbids) - needs)


def _quantity(subjects: Mapping[Word, float], quantity: Word | None, *forbids: Word) -> Profile:
    kinds = {_W.TARGET, _W.FAULT, _W.OVERCURRENT, _W.PRECHARGE, _W.CONTACTOR}
    return _profile(subjects, quantity, forbids=frozenset({*kinds, *forbids}))


def _target(subjects: Mapping[Word, float], quantity: Word | None, *forbids: Word) -> Profile:
    return _profile(
        subjects, quantity, frozenset({_W.TARGET}), frozenset({_W.FAULT, _W.PRECHARGE, _W.CONTACTOR, *forbids})
    )


def _named(subjects: Mapping[Word, float], supports: Word | None, needs: set[Word], forbids: Set[Word]) -> Profile:
    """A part that only its name sets apart."""
    kinds = {_W.TARGET, _W.FAULT, _W.OVERCURRENT, _W.PRECHARGE, _W.CONTACTOR}
    others = _NEVER | kinds | forbids
    return Profile(subjects, supports, frozenset(needs), others - needs - subjects.keys(), by_name=True)


def _extreme(which: Word, subjects: Mapping[Word, float], quantity: Word) -> Profile:
    """The lowest or highest of the battery's cells or sensors."""
    others = {_W.CHARGER, _W.AUX, _W.CONVERTER, _W.MOTOR, _W.INVERTER, _W.COOLANT, _W.LINK, _W.STATE}
    return _named(subjects, quantity, {which}, others)


_MOTOR_CURRENT = {_W.MOTOR: PLAIN, _W.INVERTER: HALF}
_NOT_MOTOR_CURRENT = (_W.LINK, _W.PACK, _W.CHARGER, _W.AUX, _W.CONVERTER, _W.PUMP, _W.COOLANT)
_CHARGER = {_W.CHARGER: PLAIN}
_LINK_VOLTAGE = _quantity(
    {_W.LINK: PLAIN, _W.INVERTER: HALF, _W.HIGH_VOLTAGE: 0.5}, _W.VOLTAGE,
    _W.PACK, _W.CHARGER, _W.AUX, _W.CONVERTER, _W.MOTOR,
)  # fmt: skip
_MOTOR_SPEED = _quantity({_W.MOTOR: PLAIN, _W.INVERTER: HALF}, _W.SPEED, _W.VEHICLE, _W.PUMP)
_NOT_COOLANT_PUMP = {_W.BRAKE, _W.VEHICLE, _W.CHARGER, _W.STATE, _W.TEMPERATURE}
_NOT_LOW_SIDE = {_W.INPUT, _W.LINK, _W.HIGH_VOLTAGE, _W.CHARGER, _W.MOTOR, _W.PUMP, _W.TEMPERATURE}
_CELLS_OR_PACK = {_W.CELL: PLAIN, _W.PACK: PLAIN}
_THROTTLE = _quantity({_W.THROTTLE: PLAIN}, None, _W.BRAKE, _W.VOLTAGE)

PROFILES: dict[str, Profile] = {
    "dc_link_voltage": _LINK_VOLTAGE,
    "battery_voltage": _quantity(
        {_W.PACK: PLAIN, _W.HIGH_VOLTAGE: HALF}, _W.VOLTAGE,
        _W.LINK, _W.CHARGER, _W.AUX, _W.CONVERTER, _W.MOTOR, _W.INVERTER,
    ),
    "battery_current": _quantity(
        {_W.PACK: PLAIN, _W.HIGH_VOLTAGE: HALF}, _W.CURRENT,
        _W.CHARGER, _W.AUX, _W.CONVERTER, _W.MOTOR, _W.PUMP, _W.COOLANT,
    ),
    "precharge_relay": _profile({_W.PRECHARGE: PLAIN}, _W.CONTACTOR, forbids=_CONTACTS),
    "main_contactor": _profile(
        {_W.CONTACTOR: HALF}, _W.POSITIVE,
        forbids=_CONTACTS | {_W.PRECHARGE, _W.NEGATIVE, _W.PUMP, _W.BRAKE},
    ),
    "negative_contactor": _profile(
        {_W.CONTACTOR: HALF}, _W.NEGATIVE, needs=frozenset({_W.NEGATIVE}),
        forbids=_CONTACTS | {_W.PRECHARGE, _W.PUMP, _W.BRAKE},
    ),
    "motor_speed": _MOTOR_SPEED,
    "vehicle_speed": _quantity({_W.VEHICLE: PLAIN}, _W.SPEED, _W.MOTOR, _W.PUMP),
    "motor_current": _quantity(_MOTOR_CURRENT, _W.CURRENT, *_NOT_MOTOR_CURRENT),
    "motor_current_target": _target(_MOTOR_CURRENT, _W.CURRENT, *_NOT_MOTOR_CURRENT),
    "torque": _quantity({_W.TORQUE: PLAIN}, None, _W.BRAKE, _W.VEHICLE),
    "torque_target": _target({_W.TORQUE: PLAIN}, None, _W.BRAKE, _W.VEHICLE),
    "throttle": _THROTTLE,
    "brake": _profile({_W.BRAKE: PLAIN}, forbids=_SWITCH | {_W.THROTTLE, _W.TORQUE, _W.PUMP}),
    "fault": _profile(
        {_W.INVERTER: HALF, _W.MOTOR: HALF}, _W.FAULT,
        forbids=frozenset({_W.PACK, _W.CHARGER, _W.AUX, _W.CONVERTER, _W.PUMP, _W.BRAKE, _W.VOLTAGE}),
    ),
    "inverter_state": _profile(
        {_W.INVERTER: PLAIN, _W.MOTOR: HALF}, _W.STATE,
        forbids=frozenset({_W.PACK, _W.CHARGER, _W.CONTACTOR, _W.PRECHARGE, _W.FAULT, _W.TEMPERATURE, _W.PUMP}),
    ),
    "motor_temperature": _quantity({_W.MOTOR: PLAIN}, _W.TEMPERATURE, _W.INVERTER, _W.COOLANT, _W.PACK, _W.CHARGER),
    "inverter_temperature": _quantity(
        {_W.INVERTER: PLAIN}, _W.TEMPERATURE, _W.MOTOR, _W.COOLANT, _W.PACK, _W.CHARGER
    ),
    "coolant_temperature": _quantity({_W.COOLANT: PLAIN}, _W.TEMPERATURE, _W.PACK, _W.CHARGER, _W.OUTLET),
    "coolant_temperature_out": _named({_W.COOLANT: PLAIN}, _W.TEMPERATURE, {_W.OUTLET}, {_W.PACK, _W.CHARGER}),
    "coolant_pump": _profile({_W.PUMP: PLAIN}, _W.COOLANT, forbids=_SWITCH | {_W.SPEED, _W.BRAKE}),
    "coolant_pump_speed": _named({_W.PUMP: PLAIN}, _W.SPEED, {_W.SPEED}, _NOT_COOLANT_PUMP),
    "coolant_pump_current": _named({_W.PUMP: PLAIN}, _W.CURRENT, {_W.CURRENT}, _NOT_COOLANT_PUMP),
    "coolant_fan": _named({_W.FAN: PLAIN}, _W.COOLANT, {_W.FAN}, _CONTACTS | {_W.PACK, _W.SPEED}),
    "aux_voltage": _quantity(
        {_W.AUX: PLAIN, _W.CONVERTER: 0.5, _W.PACK: HALF}, _W.VOLTAGE, _W.LINK, _W.HIGH_VOLTAGE, _W.CHARGER, _W.MOTOR,
        _W.INPUT,
    ),
    "aux_current": _named({_W.AUX: PLAIN}, _W.CURRENT, {_W.CURRENT}, _NOT_LOW_SIDE | {_W.CONVERTER, _W.STATE}),
    "converter_voltage": _named({_W.CONVERTER: PLAIN}, _W.VOLTAGE, {_W.VOLTAGE}, _NOT_LOW_SIDE),
    "converter_current": _named({_W.CONVERTER: PLAIN}, _W.CURRENT, {_W.CURRENT}, _NOT_LOW_SIDE),
    "converter_state": _named({_W.CONVERTER: PLAIN}, _W.STATE, {_W.STATE}, {_W.TEMPERATURE, _W.CHARGER, _W.PACK}),
    "charger_voltage": _quantity(_CHARGER, _W.VOLTAGE, _W.PACK, _W.AUX, _W.INPUT),
    "charger_current": _quantity(_CHARGER, _W.CURRENT, _W.PACK, _W.AUX, _W.INPUT),
    "charger_voltage_target": _target(_CHARGER, _W.VOLTAGE, _W.AUX),
    "charger_current_target": _target(_CHARGER, _W.CURRENT, _W.AUX),
    "charger_input_power": _named(_CHARGER, _W.POWER, {_W.POWER, _W.INPUT}, {_W.PACK}),
    "charger_state": _profile(
        _CHARGER, _W.STATE, forbids=frozenset({_W.FAULT, _W.CONTACTOR, _W.TEMPERATURE, _W.PRECHARGE})
    ),
    "charger_fault": _named(_CHARGER, _W.FAULT, {_W.FAULT}, {_W.CONTACTOR, _W.TEMPERATURE, _W.PRECHARGE}),
    "charge_plug": _named({_W.PLUG: PLAIN}, _W.CHARGER, {_W.PLUG}, _CONTACTS - {_W.CHARGER}),
    "charge_lock": _named({_W.LOCK: PLAIN}, _W.CHARGER, {_W.LOCK}, _CONTACTS - {_W.CHARGER}),
    "cell_voltage_lowest": _extreme(_W.LOWEST, {_W.CELL: PLAIN}, _W.VOLTAGE),
    "cell_voltage_highest": _extreme(_W.HIGHEST, {_W.CELL: PLAIN}, _W.VOLTAGE),
    "battery_temperature_lowest": _extreme(_W.LOWEST, _CELLS_OR_PACK, _W.TEMPERATURE),
    "battery_temperature_highest": _extreme(_W.HIGHEST, _CELLS_OR_PACK, _W.TEMPERATURE),
    "state_of_charge": _named({_W.CHARGE_LEVEL: PLAIN}, None, {_W.CHARGE_LEVEL}, {_W.CHARGER}),
}  # fmt: skip

# Parts that are the same quantity from another source: found beside their first, by what they read.
TWINS = {
    "dc_link_voltage": "dc_link_voltage_second",
    "motor_speed": "motor_speed_second",
    "throttle": "throttle_second",
}
