"""Charging from the mains."""

from __future__ import annotations

from logscope.diagnosis.signs.shown import by_cause, by_kind
from logscope.diagnosis.signs.sign import ANY_ORIGIN, Sign

SIGNS = (
    Sign("charge_limit", "charging passes a limit", "charging keeps every limit", by_kind("charge.over_limit")),
    Sign(
        "charge_off_target",
        "the charger does not keep what is asked",
        "the charger keeps what is asked",
        by_kind("charge.off_target"),
    ),
    Sign(
        "charge_on",
        "the charger keeps charging after the request ended",
        "the charger stops with its request",
        by_kind("charge.not_stopping"),
    ),
    Sign(
        "charge_enabled",
        "the drive is enabled while charging",
        "the drive is off while charging",
        by_kind("charge.while_enabled"),
    ),
    Sign(
        "plug_out", "the plug is pulled under current", "the plug is pulled without current", by_kind("charge.plug_out")
    ),
    Sign(
        "charge_supply",
        "charging stops when its supply fails",
        "the supply of the charger holds",
        by_cause("charge.stopped", "supply", "plug"),
    ),
    Sign(
        "charge_silent",
        "charging stops when a message is missing",
        "messages for charging continue",
        by_cause("charge.stopped", "communication"),
    ),
    Sign(
        "charge_stops",
        "charging stops for another reason",
        "charging does not stop early",
        by_cause("charge.stopped", "fault", "temperature", "limit", "request"),
    ),
    Sign(
        "charge_ends",
        "charging ends early, for no reason that is logged",
        "no charge ends early without a reason",
        by_cause("charge.stopped", "undetermined"),
        ANY_ORIGIN,
    ),
)
