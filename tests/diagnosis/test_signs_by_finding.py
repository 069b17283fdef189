"""Which finding shows which sign, and what rules it out: one row a sign, by what each kind means (DEVELOPERS.md)."""

from __future__ import annotations

import pytest

from logscope.diagnosis.signs.all_signs import SIGNS, observe
from logscope.diagnosis.signs.sign import ANY_ORIGIN, OFTEN_ALONE, SELDOM_ALONE
from logscope.findings import Finding, Measured, Severity
from logscope.parts import PARTS


def finding(
    kind: str, cause: str | None = None, severity: Severity = Severity.WARNING, **measured: Measured
) -> Finding:
    return Finding(kind, severity, 1.0, 1.1, kind, "", "", (), cause=cause, measured=measured)


def seen(*findings: Finding) -> set[str]:
    return set(observe(findings, PARTS).seen)


BY_KIND = {
    "precharge.slow": "slow", "precharge.fast": "fast", "precharge.stalled": "stalled", "precharge.no_rise": "no_rise",
    "precharge.interrupted": "interrupted", "precharge.closed_early": "closed_early", "precharge.bypassed": "bypassed",
    "precharge.drift": "precharge_drifts", "precharge.resistor_stress": "resistor_heat",
    "dc_link.slow_discharge": "slow_discharge", "dc_link.stays_live": "stays_live", "contactor.welded": "follows_pack",
    "contactor.dropout": "dropout", "contactor.chatter": "chatter", "contactor.closed_briefly": "chatter",
    "contactor.order": "order", "contactor.opened_under_load": "opened_under_load",
    "battery.resistance": "battery_resistance", "regeneration.full_pack": "full_pack",
    "regeneration.braking": "braking_near_limit", "encoder.spike": "spikes", "encoder.burst": "bursts",
    "encoder.dropout": "speed_drops", "encoder.hold": "holds", "encoder.reversal": "speed_reverses",
    "encoder.noise": "speed_noise", "encoder.ripple": "ripple", "encoder.scale": "speed_scale",
    "encoder.departure": "speed_departs", "encoder.restart": "restarts", "capture.console_restart": "restarts",
    "trip.other": "other_trip", "current_control.response": "overshoot", "driveline.judder": "judder",
    "throttle.jump": "pedal_jumps", "throttle.tracks": "pedal_tracks", "throttle.noise": "pedal_noise",
    "throttle.falling": "pedal_noise", "machine.operating_points": "energy", "cooling.no_flow": "no_flow",
    "cooling.low_flow": "no_flow", "cooling.air": "air", "cooling.pump_off": "pump_off",
    "cooling.pump_stopped": "pump_stopped", "cooling.pump_dry": "pump_dry", "cooling.motor": "hot",
    "cooling.inverter": "hot", "cooling.derating": "derating", "cooling.sensor_stuck": "temperature_sensor",
    "cooling.sensor_offset": "temperature_sensor", "cooling.sensor_swapped": "temperature_sensor",
    "aux.backfeed": "backfeed", "charge.over_limit": "charge_limit", "charge.off_target": "charge_off_target",
    "charge.not_stopping": "charge_on", "charge.while_enabled": "charge_enabled", "charge.plug_out": "plug_out",
    "mapping.scale": "mapping", "mapping.constant": "mapping", "mapping.no_value": "unfilled",
    "bus.two_contents": "two_contents", "bus.two_senders": "two_contents", "capture.message_silent": "silent",
    "bus.node_restart": "silent", "bus.node_absent": "silent", "capture.time_step": "clock",
    "capture.time_unit": "clock",
}  # fmt: skip
BY_CAUSE = {
    ("trip.overcurrent", "encoder"): "trip_after_encoder", ("trip.overcurrent", "demand"): "trip_after_demand",
    ("trip.overcurrent", "oscillation"): "trip_after_oscillation", ("trip.overcurrent", "supply"): "trip_after_supply",
    ("trip.overcurrent", "limit"): "trip_at_limit", ("trip.overcurrent", "sudden"): "trip_sudden",
    ("trip.overcurrent", "undetermined"): "trip_unclear", ("current_control.oscillation", None): "oscillation",
    ("current_control.oscillation", "shaft"): "oscillates_with_shaft", ("aux.supply", "stopped"): "converter_off",
    ("aux.supply", "never_ran"): "converter_off", ("aux.supply", "sagging"): "converter_sags",
    ("aux.supply", "empty_battery"): "aux_battery_empty", ("aux.supply", "over_voltage"): "aux_over_voltage",
    ("aux.dip", "loose_connection"): "aux_loose", ("aux.dip", "source_resistance"): "aux_resistance",
    ("aux.dip", "coil_hold"): "aux_resistance", ("charge.stopped", "supply"): "charge_supply",
    ("charge.stopped", "plug"): "charge_supply", ("charge.stopped", "communication"): "charge_silent",
    ("charge.stopped", "fault"): "charge_stops", ("charge.stopped", "temperature"): "charge_stops",
    ("charge.stopped", "limit"): "charge_stops", ("charge.stopped", "request"): "charge_stops",
    ("charge.stopped", "undetermined"): "charge_ends",
}  # fmt: skip
BY_LIMIT = {
    "motor_current": "current_limit", "battery_min": "battery_low", "battery_max": "battery_high",
    "dc_link_max": "battery_high", "dc_link": "battery_high", "motor_temperature": "temperature_limit",
    "inverter_temperature": "temperature_limit", "coolant_temperature": "temperature_limit", "aux_min": "aux_low",
}  # fmt: skip
FROM_INFO = {"capture.message_silent", "bus.node_restart", "bus.node_absent"}  # what is missing is worth a thought


@pytest.mark.parametrize("kind", BY_KIND)
def test_a_kind_shows_its_sign_where_it_is_a_warning(kind: str) -> None:
    for severity in (Severity.WARNING, Severity.DANGER):
        assert seen(finding(kind, "any", severity)) == {BY_KIND[kind]}
    assert seen(finding(kind, "any", Severity.INFO)) == ({BY_KIND[kind]} if kind in FROM_INFO else set())
    assert seen(finding(kind, "any", Severity.GOOD)) == set()


@pytest.mark.parametrize(("kind", "cause"), BY_CAUSE)
def test_a_cause_that_a_check_names_shows_its_sign(kind: str, cause: str | None) -> None:
    assert seen(finding(kind, cause)) == {BY_CAUSE[kind, cause]}
    assert seen(finding(kind, cause, Severity.INFO)) == set()
    assert seen(finding(kind, "another")) == set()


@pytest.mark.parametrize("limit", BY_LIMIT)
def test_a_margin_below_zero_shows_that_a_limit_was_passed(limit: str) -> None:
    for margin, shows in ((-0.1, True), (0.1, False)):
        made = finding("limits.margin", **{f"{limit}_margin_X": Measured(margin, "X")})
        assert seen(made) == ({BY_LIMIT[limit]} if shows else set())
        assert (BY_LIMIT[limit] in observe([made], PARTS).absent) is not shows


def test_what_is_measured_shows_a_sign() -> None:
    welded = finding("dc_link.stays_live", "welded", Severity.DANGER)
    assert seen(welded) == {"stays_live", "follows_pack"}
    for value in ("parallel_load_ohm", "load_power_W"):
        for severity in (Severity.INFO, Severity.WARNING):
            assert seen(finding("precharge.undetermined", None, severity, **{value: Measured(9.0, "")})) == {
                "load_on_link"
            }
    assert seen(finding("precharge.undetermined", parallel_load_ohm=Measured(None, "", 5.0, None))) == set()
    for value, sign in (("rate_ratio_per_100A", "rises_with_current"), ("rate_ratio_at_switching", "at_switching")):
        made = finding("encoder.clean", None, Severity.INFO, **{value: Measured(2.0, "", 1.01, 9.0)})
        assert seen(made) == {sign}
        for high, absent in ((1.49, True), (1.51, False)):
            flat = finding("encoder.clean", None, Severity.INFO, **{value: Measured(1.0, "", 0.9, high)})
            assert (sign in observe([flat], PARTS).absent) is absent


def test_what_drops_out_at_a_dip_shows_it() -> None:
    dip = finding("aux.dip", "x")
    for kind in ("contactor.dropout", "contactor.chatter", "precharge.interrupted", "encoder.restart"):
        assert "switches_at_dips" in seen(dip, finding(kind))
    assert "switches_at_dips" not in seen(dip, finding("contactor.order"))
    assert "switches_at_dips" not in seen(finding("contactor.dropout"))


def test_every_sign_is_in_a_row_here() -> None:
    rows = {*BY_KIND.values(), *BY_CAUSE.values(), *BY_LIMIT.values()}
    others = {"load_on_link", "rises_with_current", "at_switching", "switches_at_dips"}
    assert {sign.name for sign in SIGNS} == rows | others


def test_what_a_sound_drive_shows_as_well_and_what_anything_may_cause_weighs_less() -> None:
    alone = {sign.name: sign.alone for sign in SIGNS}
    assert (SELDOM_ALONE, OFTEN_ALONE, ANY_ORIGIN) == (0.001, 0.02, 0.1)
    often = {"battery_resistance", "battery_low", "battery_high", "braking_near_limit", "speed_noise", "current_limit",
             "overshoot", "judder", "pedal_noise", "aux_low", "temperature_limit", "silent"}  # fmt: skip
    anything = {"trip_unclear", "other_trip", "charge_ends"}
    for name, share in alone.items():
        assert share == (ANY_ORIGIN if name in anything else OFTEN_ALONE if name in often else SELDOM_ALONE)


def test_a_sign_is_ruled_out_by_another_outcome_of_its_topic_with_its_parts_in_the_log() -> None:
    def absent(kind: str, *logged: str) -> set[str]:
        return set(observe([finding(kind, None, Severity.GOOD)], logged).absent)

    assert absent("dc_link.discharged") == {"slow_discharge", "stays_live"}
    assert {"slow", "stalled"} <= absent("precharge.complete") - {"load_on_link"}
    assert "load_on_link" in absent("precharge.complete", "dc_link_voltage", "battery_voltage")
    assert "load_on_link" not in absent("precharge.interrupted", "dc_link_voltage", "battery_voltage")
    assert absent("contactor.sound") == {"dropout", "opened_under_load"}
    assert {"chatter", "order"} <= absent("contactor.sound", "precharge_relay", "main_contactor")
    assert "follows_pack" in absent("contactor.sound", "dc_link_voltage", "battery_voltage")
    assert {"converter_off", "converter_sags", "aux_battery_empty", "aux_over_voltage"} <= absent(
        "aux.supply", "aux_voltage"
    )
    assert absent("aux.supply") == {"backfeed"}
    assert {"pump_off"} == absent("cooling.motor", "coolant_pump") & {"pump_off", "pump_stopped", "pump_dry"}
    assert "pump_dry" in absent("cooling.motor", "coolant_pump_current")
    assert {"pump_off", "pump_stopped", "pump_dry"} <= absent("cooling.motor", "coolant_pump", "coolant_pump_current")
    assert absent("encoder.undetermined") == set()
    pairs = {sign.name: (sign.seen, sign.absent) for sign in SIGNS}
    assert pairs["stalled"] == ("the link stops short of the pack", "the link reaches the pack")
    assert pairs["follows_pack"] == ("the open link follows the pack", "the open link does not follow the pack")
    assert pairs["pump_off"] == ("the pump is not switched on", "the pump is switched on")
