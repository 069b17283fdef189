"""The fields of a log in the order of their likeness to a part."""

from __future__ import annotations

from collections.abc import Callable

from logscope.seeking.hits import Hit
from logscope.seeking.ranking.force import FORCES, by_force, by_sag_and_power
from logscope.seeking.ranking.link import by_precharge
from logscope.seeking.ranking.outcome import Ranked
from logscope.seeking.ranking.speed import SPEEDS, by_speed
from logscope.seeking.ranking.switches import by_moments
from logscope.seeking.ranking.temperature import by_heat
from logscope.seeking.ranking.voltage import by_converter, by_sag
from logscope.seeking.search import Search


def ranked(search: Search, part: str) -> Ranked:
    """The fields in the order of their likeness to a part."""
    return _BY_PART[part](search, part)


_BY_PART: dict[str, Callable[[Search, str], Ranked]] = {
    "dc_link_voltage": by_precharge,
    "dc_link_voltage_second": by_precharge,
    "precharge_relay": by_moments,
    "main_contactor": by_moments,
    "negative_contactor": by_moments,
    "battery_current": by_sag_and_power,
    "battery_voltage": by_sag,
    "aux_voltage": by_converter,
    "converter_voltage": by_converter,
    **dict.fromkeys(SPEEDS, by_speed),
    **dict.fromkeys(FORCES, by_force),
    **dict.fromkeys(
        ("motor_temperature", "inverter_temperature", "coolant_temperature", "coolant_temperature_out"), by_heat
    ),
}


SOUGHT = tuple(_BY_PART)


def resemblances(search: Search) -> dict[int, Hit]:
    """The likeness to the part that each field most resembles, by the field's place, where any stands out."""
    found: dict[int, Hit] = {}
    places = {id(each): number for number, each in enumerate((*search.numbers, *search.flags))}
    for part in SOUGHT:
        for hit in ranked(search, part)[0]:
            place = places.get(id(hit.candidate))
            if place is not None and hit.stands_out and (place not in found or hit.score > found[place].score):
                found[place] = hit
    return found
