"""Coolant, heat and temperature sensors."""

from __future__ import annotations

from logscope.diagnosis.causes.cause import ALWAYS, MOSTLY, OFTEN, SELDOM, SOMETIMES, USUAL, cause

CAUSES = (
    cause(
        "coolant_flow",
        "The coolant does not move",
        USUAL,
        {"no_flow": MOSTLY, "pump_off": OFTEN, "pump_stopped": SOMETIMES, "pump_dry": SOMETIMES,
         "hot": SOMETIMES, "derating": SOMETIMES, "temperature_limit": SOMETIMES},
        "Look at the flow in the expansion tank with the pump switched on.",
        "Do not load the drive before the coolant is seen to move.",
        "Check the pump's supply, fuse and relay, and the direction of flow.",
        "Look for a kinked hose and a closed tap.",
    ),
    cause(
        "coolant_missing",
        "The pump draws air: coolant is missing",
        USUAL,
        {"pump_dry": ALWAYS, "no_flow": OFTEN, "air": SOMETIMES, "hot": SELDOM, "temperature_limit": SELDOM},
        "Look at the level in the expansion tank, cold and with the pump running.",
        "Do not load the drive before the loop is full.",
        "Once it is cold, top up, bleed the loop, and look for a leak.",
    ),
    cause(
        "air_in_loop",
        "Air in the coolant loop",
        USUAL,
        {"air": ALWAYS, "pump_dry": OFTEN, "no_flow": SOMETIMES, "hot": SELDOM, "temperature_limit": SELDOM},
        "Bleed the loop, top up, and repeat the drive.",
        "Once it is cold, bleed the loop at its highest points with the pump running, and top up.",
    ),
    cause(
        "too_much_heat",
        "More heat than the cooling carries away at this load",
        USUAL,
        {"hot": MOSTLY, "derating": OFTEN, "temperature_limit": OFTEN},
        "Repeat the load with a fan on the radiator, and compare the end temperatures.",
        "Reduce the continuous current until the end temperature is within its limit.",
        "Check radiator, fan and the thermal contact of the device.",
    ),
    cause(
        "temperature_sensor",
        "A temperature sensor, its wiring or its place",
        USUAL,
        {"temperature_sensor": ALWAYS, "derating": SELDOM},
        "Let the vehicle stand overnight: all temperatures must then agree.",
        "Compare the sensors after a night, all cold.",
        "Check type and connector of the sensor that differs.",
    ),
)  # fmt: skip
