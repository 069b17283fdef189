"""The 12 V side and its converter."""

from __future__ import annotations

from logscope.diagnosis.signs.shown import at_moment_of, by_cause, by_kind, by_limit
from logscope.diagnosis.signs.sign import OFTEN_ALONE, Sign

SIGNS = (
    Sign(
        "converter_off",
        "the DC-DC converter does not feed the 12 V side",
        "the DC-DC converter feeds the 12 V side",
        by_cause("aux.supply", "stopped", "never_ran"),
        parts=("aux_voltage",),
    ),
    Sign(
        "converter_sags",
        "the converter's voltage falls under load",
        "the converter holds its voltage",
        by_cause("aux.supply", "sagging"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_battery_empty",
        "the 12 V battery is low",
        "the 12 V battery is charged",
        by_cause("aux.supply", "empty_battery"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_over_voltage",
        "the 12 V side is too high",
        "the 12 V side is not too high",
        by_cause("aux.supply", "over_voltage"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_loose",
        "12 V dips that nothing switched explains",
        "12 V dips only where something switched",
        by_cause("aux.dip", "loose_connection"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_resistance",
        "deep 12 V dips when loads switch",
        "shallow 12 V dips when loads switch",
        by_cause("aux.dip", "source_resistance", "coil_hold"),
        parts=("aux_voltage",),
    ),
    Sign(
        "switches_at_dips",
        "relays or controllers drop out at the moment of 12 V dips",
        "nothing drops out at 12 V dips",
        at_moment_of("aux.dip", "contactor.dropout", "contactor.chatter", "precharge.interrupted", "encoder.restart"),
        parts=("aux_voltage",),
    ),
    Sign(
        "aux_low",
        "the 12 V side falls below its limit",
        "the 12 V side stays above its limit",
        by_limit("aux_min"),
        OFTEN_ALONE,
    ),
    Sign(
        "backfeed",
        "a load stays fed after its switch opened",
        "loads go off with their switches",
        by_kind("aux.backfeed"),
    ),
)
