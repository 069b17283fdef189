"""How often each cause shows each sign, in words: the judgement of commissioning a second time, beside the table.

Common practice, no published source; what the words weigh is tested with the network. A word that is changed in one
of both places alone is a slip.
"""

from __future__ import annotations

import pytest

from logscope.diagnosis.causes.all_causes import CAUSES

COMMON = {"common": 0.04, "usual": 0.02}
OFTEN = {"always": 0.97, "mostly": 0.8, "often": 0.5, "sometimes": 0.2, "seldom": 0.05}
SHOWN = {
    "precharge_resistance": (
        "common: always slow; sometimes closed_early precharge_drifts resistor_heat; seldom stalled"
    ),
    "precharge_too_fast": "usual: always fast; seldom closed_early resistor_heat",
    "load_on_link": (
        "common: mostly load_on_link stalled; sometimes closed_early resistor_heat; seldom interrupted "
        "precharge_drifts slow"
    ),
    "precharge_path_open": "usual: always no_rise; seldom stalled",
    "precharge_relay_releases": "usual: always interrupted; often chatter; seldom switches_at_dips",
    "closing_rule": "usual: always closed_early; sometimes bypassed order",
    "precharge_bridged": "usual: always bypassed; sometimes order",
    "bleeder_open": "usual: often slow_discharge stays_live",
    "contactor_welded": "usual: mostly follows_pack; often stays_live; sometimes bypassed; seldom order",
    "contactor_supply": (
        "usual: always dropout; often chatter judder; sometimes bypassed closed_early other_trip "
        "trip_after_supply; seldom battery_high charge_supply opened_under_load trip_sudden"
    ),
    "opened_by_command": "usual: always opened_under_load; sometimes other_trip",
    "weak_pack": "usual: mostly battery_resistance; often battery_low; sometimes trip_after_supply",
    "full_pack": "usual: always full_pack; often battery_high braking_near_limit; sometimes other_trip",
    "encoder_interference": (
        "common: mostly rises_with_current spikes; sometimes bursts current_limit oscillation overshoot "
        "speed_drops speed_noise speed_reverses trip_after_encoder trip_unclear; seldom at_switching judder "
        "other_trip"
    ),
    "encoder_connection": (
        "common: often holds speed_drops; sometimes bursts current_limit speed_departs speed_reverses spikes "
        "trip_after_encoder trip_unclear; seldom judder oscillation other_trip"
    ),
    "encoder_mounting": (
        "usual: mostly ripple; often oscillates_with_shaft; sometimes speed_noise; seldom oscillation"
    ),
    "encoder_scale": "usual: always speed_scale; sometimes energy speed_departs",
    "controller_restarts": "usual: always restarts; often silent; sometimes other_trip speed_departs speed_drops",
    "loop_gain": (
        "usual: mostly oscillation; often overshoot trip_after_oscillation; sometimes current_limit judder "
        "trip_after_demand trip_sudden trip_unclear; seldom other_trip"
    ),
    "quick_demand": "usual: always trip_after_demand; often overshoot; sometimes current_limit judder pedal_jumps",
    "current_limit": "usual: always trip_at_limit; often current_limit; sometimes judder",
    "short_circuit": "usual: mostly trip_sudden; sometimes current_limit judder trip_unclear; seldom other_trip",
    "judder": "usual: always judder",
    "pedal": "usual: mostly pedal_jumps pedal_tracks; often pedal_noise; seldom trip_after_demand",
    "coolant_flow": (
        "usual: mostly no_flow; often pump_off; sometimes derating hot pump_dry pump_stopped temperature_limit"
    ),
    "coolant_missing": "usual: always pump_dry; often no_flow; sometimes air; seldom hot temperature_limit",
    "air_in_loop": "usual: always air; often pump_dry; sometimes no_flow; seldom hot temperature_limit",
    "too_much_heat": "usual: mostly hot; often derating temperature_limit",
    "temperature_sensor": "usual: always temperature_sensor; seldom derating",
    "loose_low_voltage": (
        "common: mostly aux_loose; often switches_at_dips; sometimes aux_low aux_resistance chatter dropout "
        "restarts silent; seldom interrupted"
    ),
    "low_voltage_resistance": (
        "common: mostly aux_resistance; often aux_battery_empty aux_low; sometimes chatter interrupted switches_at_dips"
    ),
    "converter_not_feeding": (
        "common: mostly converter_off; often aux_low; sometimes aux_battery_empty aux_resistance"
    ),
    "converter_weak": "usual: always converter_sags; often aux_low; sometimes aux_resistance",
    "converter_voltage": "usual: always aux_over_voltage",
    "backfeed": "usual: always backfeed",
    "charger_settings": "usual: always charge_off_target; often charge_limit; sometimes battery_high",
    "charge_limit": "usual: always charge_limit; often battery_high; sometimes charge_off_target",
    "charger_control": "usual: always charge_on; sometimes charge_limit",
    "charge_communication": "usual: always charge_silent; often silent",
    "charge_supply": "usual: always charge_supply; sometimes charge_ends; seldom plug_out",
    "plug_pulled": "usual: always plug_out; often charge_supply",
    "charge_interlock": "usual: always charge_enabled",
    "charge_stopped": "usual: mostly charge_stops; sometimes charge_ends",
    "mapping": (
        "common: always mapping; sometimes energy; seldom battery_resistance charge_off_target order "
        "speed_scale temperature_sensor"
    ),
    "signal_unfilled": "common: always unfilled",
    "identifier_shared": "usual: always two_contents; seldom silent",
    "log_clock": "usual: always clock",
}


@pytest.mark.parametrize("name", SHOWN)
def test_a_cause_shows_its_signs_as_often_as_its_words_say(name: str) -> None:
    prior, _, signs = SHOWN[name].partition(": ")
    shows = {sign: OFTEN[word] for word, *of in (group.split() for group in signs.split("; ")) for sign in of}
    node = CAUSES[name].node
    assert (node.prior, dict(node.shows)) == (COMMON[prior], shows)


def test_every_cause_is_in_a_row_here() -> None:
    assert list(SHOWN) == list(CAUSES)
    assert len({cause.title for cause in CAUSES.values()}) == len(CAUSES)
