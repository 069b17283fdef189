"""What makes a sound vehicle look wrong: definitions, mapping, identifiers and the clock."""

from __future__ import annotations

from logscope.diagnosis.causes.cause import ALWAYS, COMMON, SELDOM, SOMETIMES, TWELVE_VOLTS, USUAL, cause

CAUSES = (
    cause(
        "mapping",
        "A signal's definition or its mapping is wrong",
        COMMON,
        {"mapping": ALWAYS, "energy": SOMETIMES, "speed_scale": SELDOM, "order": SELDOM,
         "charge_off_target": SELDOM, "temperature_sensor": SELDOM, "battery_resistance": SELDOM},
        "Compare one logged value with an independent one; high voltage is measured by trained people.",
        "Check scale, sign, byte order and name of the signal in definitions and vehicle file.",
        "Correct it, and check the same log again: no new recording is needed.",
    ),
    cause(
        "signal_unfilled",
        "A controller does not fill a signal that is mapped",
        COMMON,
        {"unfilled": ALWAYS},
        "Look at the raw bytes of the message: they keep the mark for “no value”.",
        "Map another signal for this part, or leave the part out of the vehicle file.",
    ),
    cause(
        "identifier_shared",
        "Two devices send with one identifier",
        USUAL,
        {"two_contents": ALWAYS, "silent": SELDOM},
        f"{TWELVE_VOLTS} unplug one device after the other, and see which content disappears.",
        "Give one of the two devices another identifier.",
    ),
    cause(
        "log_clock",
        "The logger's clock is wrong",
        USUAL,
        {"clock": ALWAYS},
        "Record a minute, and compare its length with a watch.",
        "Check the logger's time settings; record again where a duration matters.",
    ),
)  # fmt: skip
