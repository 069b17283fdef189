"""The 12 V side and its converter."""

from __future__ import annotations

from logscope.diagnosis.causes.cause import (
    ALWAYS,
    COMMON,
    MOSTLY,
    OFF,
    OFTEN,
    SELDOM,
    SOMETIMES,
    TWELVE_VOLTS,
    USUAL,
    cause,
)

CAUSES = (
    cause(
        "loose_low_voltage",
        "A loose connection of the 12 V supply or its ground",
        COMMON,
        {"aux_loose": MOSTLY, "switches_at_dips": OFTEN, "chatter": SOMETIMES, "dropout": SOMETIMES,
         "restarts": SOMETIMES, "silent": SOMETIMES, "aux_low": SOMETIMES, "interrupted": SELDOM,
         "aux_resistance": SOMETIMES},
        f"{TWELVE_VOLTS} move its supply and ground cables while it is logged.",
        f"{OFF} check and tighten the 12 V posts, the ground strap and the fuse holder.",
        "Measure the voltage drop from the 12 V battery to the controller under load, on both sides.",
    ),
    cause(
        "low_voltage_resistance",
        "The 12 V side is weak: an empty or worn battery, a cable or a fuse",
        COMMON,
        {"aux_resistance": MOSTLY, "aux_battery_empty": OFTEN, "aux_low": OFTEN, "switches_at_dips": SOMETIMES,
         "interrupted": SOMETIMES, "chatter": SOMETIMES},
        "Charge the 12 V battery fully; then measure at it and at the 12 V load while the load switches.",
        "Charge and test the 12 V battery.",
        "Check the section and the joints of the cable to what dips.",
        "Look for what draws current with everything switched off.",
    ),
    cause(
        "converter_not_feeding",
        "The DC-DC converter does not charge the 12 V battery",
        COMMON,
        {"converter_off": MOSTLY, "aux_low": OFTEN, "aux_battery_empty": SOMETIMES, "aux_resistance": SOMETIMES},
        "Measure at the posts of the 12 V battery while the converter should run.",
        "Do not drive: the 12 V battery alone holds contactors and steering.",
        f"{OFF} check the converter's enable line, its 12 V fuse and its 12 V connection.",
    ),
    cause(
        "converter_weak",
        "The DC-DC converter cannot hold its voltage",
        USUAL,
        {"converter_sags": ALWAYS, "aux_low": OFTEN, "aux_resistance": SOMETIMES},
        "Measure the converter's current at the 12 V battery cable, at this load, against its rating.",
        "Compare the load with the converter's rating; look for heat.",
    ),
    cause(
        "converter_voltage",
        "The DC-DC converter is set too high",
        USUAL,
        {"aux_over_voltage": ALWAYS},
        "Measure the 12 V side at the battery with a meter.",
        "Lower the converter's set-point to what the battery's makers state.",
    ),
    cause(
        "backfeed",
        "A load is fed through a second path",
        USUAL,
        {"backfeed": ALWAYS},
        f"{TWELVE_VOLTS} pull the fuse of the load: what stays on is fed from elsewhere.",
        f"{TWELVE_VOLTS} pull one fuse after the other, and find what still feeds the load.",
        "Separate the two circuits with a relay of its own or a diode.",
    ),
)  # fmt: skip
