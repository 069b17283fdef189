"""The check of the 12 V side on made signals; its circuit is solved by ngspice where that is installed."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from aux_traces import STATED, Made, claims, found, only
from limits_study import LimitsStudy
from one_check import findings_of

from logscope.checks.aux_supply.at_work import AtWork
from logscope.checks.aux_supply.check import aux_supply
from logscope.checks.aux_supply.dips import Dip, by_what
from logscope.checks.aux_supply.side import Side
from logscope.findings import NothingToCheck, Severity
from logscope.observations.under_load import resistance_by_steps, under_load
from logscope.physics.lead_acid import HIGHEST_CHARGING_V, charging_voltage_v, open_circuit_voltage_v
from logscope.signals import MissingPart, Part, Signals
from logscope.vehicle import Vehicle


@pytest.mark.parametrize("step_V", [0.01, 0.1])
def test_a_sound_side_gives_its_levels_and_no_warning(step_V: float):
    for seed in range(7310, 7316):
        findings = found(Made(step_V=step_V), seed)
        assert claims(findings) == []
        supply = only(findings, "aux.supply")
        assert supply.severity is Severity.GOOD
        level, alone = supply.measured["converter_level_V"], supply.measured["battery_level_V"]
        assert level.low <= 13.62 <= level.high  # 13.8 V less 12 mΩ times the mean current, 15 A
        assert alone.low <= 12.42 <= alone.high  # 12.6 V less 30 mΩ times 6 A


def test_a_controller_that_restarts_as_contactors_close_makes_no_dip():
    made = Made()
    signals = made.signals(7317)
    volts = signals["aux_voltage"]
    dead = (volts.time_s >= made.on_s) & (volts.time_s < made.on_s + 0.2)
    parts = {**signals.parts, "aux_voltage": replace(volts, value=np.where(dead, 0.0, volts.value))}
    assert claims(findings_of(aux_supply, replace(signals, parts=parts), STATED)) == []


def test_resistance_is_that_of_the_circuit_with_limits_that_hold_it():
    # Millman's theorem (any circuits textbook): both sources in parallel, 12 mΩ and 250 mΩ, are 11.45 mΩ
    true = {"source_resistance_ohm": 0.0114504, "low_voltage_battery_ohm": 0.03}
    studies = {name: LimitsStudy() for name in true}
    for seed in range(7320, 7350):
        measured = only(found(Made(stops_s=30.0), seed), "aux.dip").measured
        for name in measured.keys() & true.keys():
            studies[name].of(true[name], measured[name])
    for study in studies.values():
        assert len(study.scaled) >= 25
        study.judge()


def test_limits_of_a_resistance_hold_it_as_often_as_they_say_and_are_no_wider():
    # U = E − R·I with known R, noise, rounding and two messages that are not sent together
    study = LimitsStudy()
    for seed in range(7400, 7520):
        rng = np.random.default_rng(seed)
        period_v, period_a, ohms = rng.choice([0.02, 0.1, 0.2]), rng.choice([0.02, 0.1, 0.2]), rng.uniform(0.01, 0.15)
        edges, levels = np.sort(rng.uniform(5.0, 110.0, 7)), rng.uniform(3.0, 30.0, 8)
        at_v, at_a = np.arange(rng.uniform(0, period_v), 120.0, period_v), np.arange(0.0, 120.0, period_a)
        volts = 13.8 - ohms * levels[np.searchsorted(edges, at_v)] + rng.normal(0.0, 0.01, at_v.size)
        amps = levels[np.searchsorted(edges, at_a)] + rng.normal(0.0, 0.2, at_a.size)
        current = Part("aux_current", at_a, np.round(amps, 1), "A", "Made.Amps", step=0.1)
        slope = resistance_by_steps(under_load(at_v, np.round(volts / 0.02) * 0.02, 0.02, [current]), 1.0)
        if slope is not None:
            study.of(ohms, slope)
    assert len(study.scaled) >= 100
    study.judge()


def test_steps_agree_with_a_robust_line_of_statsmodels():
    # statsmodels.RLM (Huber's M-estimate) through the settled rows of the same log
    signals = Made(battery_ohm=0.2, stops_s=0.0).signals(7351)
    voltage, current = signals["aux_voltage"], signals["aux_current"]
    load = under_load(voltage.time_s, voltage.value, voltage.step, [current])
    slope = resistance_by_steps(load)
    assert slope is not None
    line = sm.RLM(load.volts, sm.add_constant(load.amps), M=sm.robust.norms.HuberT()).fit()
    assert slope.low <= -line.params[1] <= slope.high
    assert slope.value == pytest.approx(-line.params[1], rel=0.05)


@pytest.mark.parametrize(
    ("made", "cause"),
    [
        (Made(stops_s=30.0, fall_V_per_s=0.01), "stopped"),
        (Made(stops_s=0.0), "never_ran"),
        (Made(converter_V=15.6), "over_voltage"),
        (Made(converter_V=13.0), "sagging"),
    ],
)
def test_what_is_wrong_with_the_supply_is_named(made: Made, cause: str):
    for seed in (7360, 7361, 7362):
        assert claims(found(made, seed)) == [("aux.supply", cause)]


def test_a_battery_that_falls_is_extrapolated():
    measured = only(found(Made(stops_s=20.0, end_s=180.0, fall_V_per_s=0.002)), "aux.supply").measured
    fall = measured["fall_V_per_min"]
    assert fall.low <= -0.12 <= fall.high < 0
    left = measured["time_to_lowest_s"]
    assert left.low <= left.value <= left.high


@pytest.mark.parametrize("ohm", [0.15, 0.3])
def test_a_high_resistance_is_named(ohm: float):
    assert ("aux.dip", "source_resistance") in claims(found(Made(battery_ohm=ohm, stops_s=0.0)))
    assert ("aux.dip", "source_resistance") in claims(found(Made(converter_ohm=ohm)))


LOOSE = ((18.0, 19.0), (27.5, 28.4), (37.0, 38.0))


def test_dips_without_current_are_a_connection_and_without_a_known_current_nothing():
    assert claims(found(Made(dips=LOOSE))) == [("aux.dip", "loose_connection")]
    unknown = found(Made(dips=LOOSE, left_out=frozenset({"aux_current"})))
    assert claims(unknown) == []
    assert any(f.kind == "aux.dip" and f.severity is Severity.INFO for f in unknown)


def test_a_converter_that_may_have_stopped_to_the_end_of_the_log_is_no_good_news():
    """No contactor is logged; the link stays at its voltage, and the pack gave current when the converter stopped."""
    made = Made(stops_s=30.0, end_s=45.0, left_out=frozenset({"main_contactor", "converter_state"}))
    signals = made.signals(7319)
    s = np.arange(0.0, 45.0, 0.1)
    link = Part("dc_link_voltage", s, np.where(s < 5.0, 0.0, 340.0), "V", "Made.Link", step=0.1)
    pack = Part("battery_current", s, np.where((s > 6.0) & (s < 33.0), 40.0, 0.5), "A", "Made.Pack", step=0.1)
    parts = {**signals.parts, link.name: link, pack.name: pack}
    supply = only(findings_of(aux_supply, replace(signals, parts=parts), STATED), "aux.supply")
    assert supply.severity is Severity.INFO


def test_a_converter_that_sleeps_is_not_below_its_set_point():
    """Its voltage reads zero while its controller sleeps, and its current repeats the last value."""
    made = Made(stops_s=30.0)
    signals = made.signals(7318)
    t = signals["aux_voltage"].time_s
    own = Part("converter_voltage", t, np.where((t > 8.0) & (t < 28.0), 13.8, 0.0), "V", "Made.Converter", step=0.1)
    zeros = replace(signals, parts={**Made().signals(7318).parts, own.name: own})
    assert claims(findings_of(aux_supply, zeros, STATED)) == []
    amps = signals["converter_current"]
    last = amps.value[amps.time_s < made.stops_s][-1]
    repeated = replace(amps, value=np.where(amps.time_s < made.stops_s, amps.value, last))
    parts = {**signals.parts, amps.name: repeated}
    del parts["converter_state"]
    assert ("aux.supply", "sagging") not in claims(findings_of(aux_supply, replace(signals, parts=parts), STATED))


def test_a_single_short_dip_is_no_connection():
    assert claims(found(Made(dips=((18.0, 18.1),)))) == []


def test_one_hertz_shows_levels_and_says_that_it_shows_no_dips():
    findings = found(Made(period_s=1.0, dips=LOOSE))
    assert claims(findings) == []
    assert "dips" in only(findings, "aux.undetermined").title


def test_without_converter_and_states_the_level_decides_or_nothing_does():
    bare = frozenset({"converter_current", "converter_state", "main_contactor", "aux_current", "load"})
    assert "converter_level_V" in only(found(Made(left_out=bare)), "aux.supply").measured
    between = found(Made(left_out=bare, converter_V=13.3), vehicle=Vehicle())
    assert "converter_level_V" not in only(between, "aux.supply").measured


def test_a_meter_that_reads_low_makes_no_converter_that_does_not_run():
    bare = frozenset({"converter_current", "converter_state", "aux_current"})
    assert claims(found(Made(left_out=bare, converter_V=13.0), vehicle=Vehicle())) == []


def test_too_little_is_no_check():
    with pytest.raises(MissingPart):
        found(Made(left_out=frozenset({"aux_voltage", "load"})))
    one = Part("aux_voltage", np.array([1.0]), np.array([12.5]), "V", "A.B")
    with pytest.raises(NothingToCheck):
        findings_of(aux_supply, Signals({"aux_voltage": one}, 0.0, 2.0), STATED)
    millivolts = Made().signals(1)["aux_voltage"]
    slip = Part("aux_voltage", millivolts.time_s, millivolts.value * 2.0, "V", "A.B")
    with pytest.raises(NothingToCheck, match="scale and mapping"):
        findings_of(aux_supply, Signals({"aux_voltage": slip}, 0.0, 60.0), STATED)


def test_levels_of_a_lead_acid_battery():
    # Makers' data sheets (values from memory): 14.4 V cyclic at 20 °C, 30 mV/K less in heat; full at 1.28 kg/L: 12.7 V.
    # ISO 16750-2 has devices survive 16 V (value from memory): what charges stays below that at every temperature.
    assert charging_voltage_v(20.0) == pytest.approx(14.4)
    assert charging_voltage_v(40.0) == pytest.approx(13.8)
    assert open_circuit_voltage_v(1.28) == pytest.approx(12.72)
    assert 15.0 < HIGHEST_CHARGING_V < 16.0


NETLIST = """battery with its resistance, a base load, a pump, and a contactor coil that switches
V1 b 0 DC 12.6
R1 b n 0.06
RB n 0 2.1
IP n 0 PULSE(0 10 3 1m 1m 4 8)
S1 n c ctl 0 SW
VC ctl 0 PULSE(0 1 1.5 1m 1m 100 200)
RC c d 4
LC d 0 80m
.model SW SW(VT=0.5 RON=1m ROFF=1e7)
.tran 1m 23 0 1m
.control
run
wrdata {out} v(n) i(V1)
quit
.endc
.end
"""


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_resistance_and_coil_dip_as_ngspice_has_them(tmp_path: Path):
    out = tmp_path / "node.txt"
    (tmp_path / "n.cir").write_text(NETLIST.format(out=out.as_posix()), encoding="utf-8")
    subprocess.run(["ngspice", "-b", "n.cir"], cwd=tmp_path, check=True, capture_output=True, timeout=120)
    rows = np.loadtxt(out)
    rng = np.random.default_rng(7399)
    t, i = np.arange(0.02, 22.9, 0.1), np.arange(0.07, 22.9, 0.1)
    volts = np.interp(t, rows[:, 0], rows[:, 1]) + rng.normal(0, 0.005, t.size)
    amps = np.interp(i, rows[:, 2], -rows[:, 3]) + rng.normal(0, 0.05, i.size)
    coil = t >= 1.5
    parts = (
        Part("aux_voltage", t, np.rint(volts / 0.01) * 0.01, "V", "A.V", step=0.01),
        Part("aux_current", i, amps, "A", "A.I"),
        Part("converter_current", i, np.zeros(i.size), "A", "A.C"),
        Part("precharge_relay", t, coil.astype(float), "", "A.R", on=coil),
    )
    measured = only(findings_of(aux_supply, Signals({p.name: p for p in parts}, 0.0, 23.0), STATED), "aux.dip").measured
    ohms = measured["low_voltage_battery_ohm"]
    assert ohms.low <= 0.06 <= ohms.high
    assert ohms.value == pytest.approx(0.06, rel=0.05)
    # 80 mH and 4 Ω: 20 ms; three times that after the switch the coil has 95 % of its current, 0.18 V over 60 mΩ
    pulled_in = rows[(rows[:, 0] > 1.6) & (rows[:, 0] < 2.0), 1]
    assert measured["closing_lowest_V"].value == pytest.approx(pulled_in.min(), abs=0.03)


def combustion(seed: int, period_s: float, step_V: float, lasts_s: float) -> Signals:
    """A car with an engine: at rest, cranked down to 6.5 to 10.5 V each time, then charged; the 12 V voltage alone."""
    rng = np.random.default_rng([seed, 1617])
    t = np.arange(rng.uniform(0, period_s), 900.0, period_s)
    volts, at_s = np.full(t.size, rng.uniform(12.0, 12.7)), float(rng.uniform(20.0, 60.0))
    runs_V = float(rng.uniform(13.7, 14.6))
    while at_s < 850.0:
        off_s = at_s + lasts_s + float(rng.uniform(60.0, 300.0))
        since = t - at_s - lasts_s
        volts = np.where((since >= 0.0) & (t < off_s), runs_V - 1.5 * np.exp(-np.maximum(since, 0.0) / 2.0), volts)
        volts = np.where((t >= at_s) & (since < 0.0), rng.uniform(6.5, 10.5), volts)
        at_s = off_s + float(rng.uniform(5.0, 60.0))
    read = np.round((volts + rng.normal(0.0, 0.03, t.size)) / step_V) * step_V
    return Signals({"aux_voltage": Part("aux_voltage", t, read, "V", "Made.Volts", step=step_V)}, 0.0, 900.0)


@pytest.mark.parametrize("vehicle", [Vehicle(), Vehicle.model_validate({"limits": {"aux_min_V": 11.8}})])
@pytest.mark.parametrize(("period_s", "lasts_s"), [(1.0, 1.0), (1.0, 3.0), (0.1, 1.0), (5.0, 1.0)])
def test_a_starter_is_no_failing_converter(vehicle: Vehicle, period_s: float, lasts_s: float):
    # a starter pulls a 12 V battery to 6 to 10 V (ISO 7637-2 and ISO 16750-2, test pulses of cranking, from memory)
    for seed in range(7600, 7608):
        assert claims(findings_of(aux_supply, combustion(seed, period_s, 0.1, lasts_s), vehicle)) == []


@pytest.mark.parametrize(
    ("spans_s", "empty_V"),
    [
        (((0.0, 2.5),), None),  # the log begins as the starter turns
        (((0.0, 2.5), (4.0, 6.5), (8.0, 10.5)), None),  # it starts at the third attempt
        ((), 10.9),  # and a battery that is empty all the time
    ],
)
def test_a_starter_makes_no_empty_battery(spans_s: tuple[tuple[float, float], ...], empty_V: float | None):
    rng = np.random.default_rng(7610)
    t = np.arange(0.2, 120.0, 0.5)
    volts = np.where(t < 11.0, 12.4 if empty_V is None else empty_V, 14.2)
    for since_s, until_s in spans_s:
        volts = np.where((t >= since_s) & (t < until_s), rng.uniform(8.0, 10.5, t.size), volts)
    volts = np.where(t >= (spans_s[-1][1] if spans_s else 11.0), 14.2, volts)
    part = Part("aux_voltage", t, np.round(volts, 1), "V", "Made.Volts", step=0.1)
    found_claims = claims(findings_of(aux_supply, Signals({"aux_voltage": part}, 0.0, 120.0), Vehicle()))
    assert found_claims == ([] if empty_V is None else [("aux.supply", "empty_battery")])


@pytest.mark.parametrize("contactor", [False, True])
def test_a_key_that_is_off_between_two_drives_is_no_stopped_converter(contactor: bool):
    # a link that discharges slowly is still at its voltage, and no contactor is logged, or one that always reads on
    t, s = np.arange(0.0, 90.0, 1.0), np.arange(0.0, 90.0, 0.1)
    off, off_s = (t > 40.0) & (t < 55.0), (s > 40.0) & (s < 55.0)
    link_V = np.where(off_s, 340.0 * np.exp(-np.maximum(s - 40.0, 0.0) / 80.0), 340.0)
    parts = [
        Part("aux_voltage", t, np.where(off, 12.3, 13.8), "V", "Made.Volts", step=0.1),
        Part("dc_link_voltage", s, link_V, "V", "Made.Link", step=0.1),
        Part("battery_current", s, np.where(off_s, 0.0, 40.0), "A", "Made.Pack", step=0.1),
        Part("converter_current", s, np.where(off_s, 0.0, 12.0), "A", "Made.Converter", step=0.1),
    ]
    if contactor:
        parts.append(Part("main_contactor", s, np.ones(s.size), "", "Made.State", on=np.ones(s.size, bool)))
    findings = findings_of(aux_supply, Signals({part.name: part for part in parts}, 0.0, 90.0), STATED)
    assert claims(findings) == []
    # nor is it a converter that surely ran throughout
    supply = only(findings, "aux.supply")
    assert supply.severity is Severity.INFO
    assert "whether the DC link was on is not logged" in supply.explanation


@pytest.mark.parametrize("rows", [1, 3, 4])
def test_few_readings_of_the_12_v_side_are_not_judged(rows: int):
    signals = Made().signals(7650)
    part = signals["aux_voltage"]
    thin = replace(signals, parts={**signals.parts, "aux_voltage": part.where(np.arange(part.time_s.size) < rows)})
    assert [(each.kind, each.severity) for each in findings_of(aux_supply, thin, STATED)] == [
        ("aux.undetermined", Severity.INFO)
    ]


@pytest.mark.parametrize("left_out", ["main_contactor", "converter_current", "aux_current", "converter_state"])
@pytest.mark.parametrize("period_s", [1.0, 5.0])
def test_a_sound_side_seen_seldom_or_without_a_sensor_raises_nothing(left_out: str, period_s: float):
    for seed in range(7660, 7664):
        signals = Made(period_s=period_s, state_s=period_s, end_s=300.0).signals(seed)
        parts = {name: part for name, part in signals.parts.items() if name != left_out}
        assert claims(findings_of(aux_supply, replace(signals, parts=parts), STATED)) == []


@pytest.mark.parametrize(("cable_ohm", "is_shown"), [(0.05, True), (0.005, False)])
def test_what_lies_between_two_meters_is_their_difference_over_the_current(cable_ohm: float, is_shown: bool):
    # Ohm's law: 17 A or so through 50 mΩ are 0.85 V; two meters of 1 % each differ by up to 0.27 V at 13.6 V
    signals = Made().signals(7391)
    volts, amps = signals["aux_voltage"], signals["converter_current"]
    terminals = volts.value + cable_ohm * np.interp(volts.time_s, amps.time_s, amps.value)
    more = Part("converter_voltage", volts.time_s, np.round(terminals, 2), "V", "Made.Terminals", step=0.01)
    findings = findings_of(aux_supply, replace(signals, parts={**signals.parts, "converter_voltage": more}), STATED)
    shown = [f.measured["cable_resistance_ohm"] for f in findings if "cable_resistance_ohm" in f.measured]
    assert bool(shown) is is_shown
    for ohms in shown:
        assert ohms.value == pytest.approx(cable_ohm, rel=0.03)
        reach_ohm = (0.02 * 14.4 + 0.01) / float(np.median(amps.value[amps.time_s > 6.0]))
        assert (ohms.value - ohms.low, ohms.high - ohms.value) == pytest.approx((reach_ohm, reach_ohm), rel=0.1)


def test_a_dip_was_as_deep_as_it_was_read_but_for_noise_and_rounding_and_perhaps_deeper():
    none = np.zeros(0, bool)
    side = Side(
        np.zeros(0), np.zeros(0), 0.1, 0.02, 0.1, np.zeros(0), "", np.zeros(0), AtWork(none, none), none, (),
        contradicted=False,
    )  # fmt: skip
    dips = [Dip(("coolant pump",), False, 0.0, 1.0, drop_v, 13.0 - drop_v) for drop_v in (0.5, 0.6, 0.7, 0.05)]
    (pump,) = by_what(dips, side)
    assert (pump.seen, pump.dipped, pump.low_V) == (4, 3, pytest.approx(12.3))
    assert (pump.drop.value, pump.drop.low, pump.drop.high) == (0.6, pytest.approx(0.6 - 0.04 - 0.05), None)
