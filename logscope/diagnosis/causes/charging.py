"""Charging from the mains."""

from __future__ import annotations

from logscope.diagnosis.causes.cause import ALWAYS, MOSTLY, OFF, OFTEN, SELDOM, SOMETIMES, USUAL, cause

CAUSES = (
    cause(
        "charger_settings",
        "The charger does not keep the voltage or current asked for, or one of the meters is off",
        USUAL,
        {"charge_off_target": ALWAYS, "charge_limit": OFTEN, "battery_high": SOMETIMES},
        "Have a trained person compare the charger's meter and the pack's with a calibrated one.",
        "Do not charge before it is clear which meter is right.",
        "Check the charger's settings, and the scale of its messages.",
    ),
    cause(
        "charge_limit",
        "The charge ends above a limit of the pack",
        USUAL,
        {"charge_limit": ALWAYS, "battery_high": OFTEN, "charge_off_target": SOMETIMES},
        "Compare the end voltage asked for with the pack's limit.",
        "Do not charge again before the end voltage is lowered.",
        "Check that the pack's supervision can stop the charger by itself.",
    ),
    cause(
        "charger_control",
        "The charger does not stop when its request ends",
        USUAL,
        {"charge_on": ALWAYS, "charge_limit": SOMETIMES},
        "Attended, with the pack far from full, end the request once, and watch the current.",
        "Do not charge until this is fixed: the charger must stop when the request ends.",
        "Check the charger's time-out for lost messages, and the line that disables it.",
    ),
    cause(
        "charge_communication",
        "Messages between pack and charger are missing",
        USUAL,
        {"charge_silent": ALWAYS, "silent": OFTEN},
        "Log the charger's bus with the charger on and off.",
        f"{OFF} check wiring and termination of the charger's bus.",
    ),
    cause(
        "charge_supply",
        "The mains supply of the charger fails, or its plug is pulled",
        USUAL,
        {"charge_supply": ALWAYS, "charge_ends": SOMETIMES, "plug_out": SELDOM},
        "Charge once more from another outlet.",
        "Unplugged at both ends, look at cable and plug for burnt contacts; do not use a damaged one.",
        "Have an electrician check outlet and fuse.",
    ),
    cause(
        "plug_pulled",
        "The plug is pulled while current flows",
        USUAL,
        {"plug_out": ALWAYS, "charge_supply": OFTEN},
        "Press the release on the vehicle, and leave the plug in: the logged current must end.",
        "Stop the charge before pulling the plug.",
        "Have lock and pilot contact checked: the pilot must end the current before the contacts part.",
    ),
    cause(
        "charge_interlock",
        "The drive can be enabled while the plug is in",
        USUAL,
        {"charge_enabled": ALWAYS},
        "Wheels off the ground, turn the key with the plug in and no current: the drive must stay disabled.",
        "Interlock the drive with the plug before the vehicle is charged again.",
    ),
    cause(
        "charge_stopped",
        "The charger or the pack's supervision ends the charge",
        USUAL,
        {"charge_stops": MOSTLY, "charge_ends": SOMETIMES},
        "Read the charger's fault and the pack's lowest and highest cell at the stop.",
        "Read the fault that the charger shows, and the cells' voltages and temperatures at the stop.",
    ),
)  # fmt: skip
