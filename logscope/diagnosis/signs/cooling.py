"""Coolant, heat and temperature sensors."""

from __future__ import annotations

from logscope.diagnosis.signs.shown import by_kind, by_limit
from logscope.diagnosis.signs.sign import OFTEN_ALONE, Sign

SIGNS = (
    Sign(
        "no_flow",
        "the device warms as without coolant flow",
        "the device warms as with coolant flow",
        by_kind("cooling.no_flow", "cooling.low_flow"),
    ),
    Sign("air", "coolant flow comes and goes", "coolant flow is steady", by_kind("cooling.air")),
    Sign(
        "pump_off",
        "the pump is not switched on",
        "the pump is switched on",
        by_kind("cooling.pump_off"),
        parts=("coolant_pump",),
    ),
    Sign(
        "pump_stopped",
        "the pump is switched on and does not turn",
        "the pump turns",
        by_kind("cooling.pump_stopped"),
        parts=("coolant_pump", "coolant_pump_current"),
    ),
    Sign(
        "pump_dry",
        "the pump takes less current than usual",
        "the pump takes its usual current",
        by_kind("cooling.pump_dry"),
        parts=("coolant_pump_current",),
    ),
    Sign(
        "hot",
        "the end temperature at this load is above its limit",
        "the end temperature is within its limit",
        by_kind("cooling.motor", "cooling.inverter"),
    ),
    Sign("derating", "torque is held back by heat", "torque is not held back by heat", by_kind("cooling.derating")),
    Sign(
        "temperature_limit",
        "a temperature passes its limit",
        "temperatures keep their limits",
        by_limit("motor_temperature", "inverter_temperature", "coolant_temperature"),
        OFTEN_ALONE,
    ),
    Sign(
        "temperature_sensor",
        "a temperature sensor is stuck, offset or swapped",
        "the temperature sensors agree",
        by_kind("cooling.sensor_stuck", "cooling.sensor_offset", "cooling.sensor_swapped"),
    ),
)
