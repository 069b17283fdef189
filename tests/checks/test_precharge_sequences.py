"""Attempts one after another, hot restarts, and logs whose flags or pack voltage lag, wake late or are missing.

Oracle: the exact circuit of the simulator, which shares no code with the check, and the moments at which it switches.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from key_cycle_traces import FLAG_NAMES, Logging, changed, hazel, play_log, state
from limits_study import LimitsStudy
from linear_system import answer
from one_check import findings_of
from scipy.ndimage import uniform_filter1d
from seeds import crossed, seeds

from logscope.checks.precharge.check import precharge
from logscope.findings import Finding, Severity
from logscope.signals import Part, Signals
from logscope.simulate.scenarios import KeyCycle
from logscope.vehicle import Limits, Precharge, Vehicle

HAZEL = Vehicle(precharge=Precharge(resistance_ohm=150, capacitance_uF=1000))
END_S = 26.0
# What goes wrong in a key cycle, by the kind that it is to be called.
CYCLES = {
    "complete": KeyCycle(2.2, 20.0),
    "slow": KeyCycle(2.2, 20.0, resistance_ohm=270.0, timeout_s=6.0),
    "fast": KeyCycle(2.2, 20.0, resistance_ohm=75.0),
    "stalled": KeyCycle(2.2, 20.0, parallel_ohm=600.0),
    "interrupted": KeyCycle(2.2, 20.0, drop_out_s=0.15),
    "closed_early": KeyCycle(2.2, 20.0, close_fraction=0.7, close_delay_s=0.0),
    "bypassed": KeyCycle(2.2, 20.0, resistance_ohm=0.05),
}
CLOSES_AT_40 = KeyCycle(2.2, 20.0, close_fraction=0.4, close_delay_s=0.0)
AS_USUAL = Logging(period_s=0.01)
FINE = Logging(period_s=0.005, step_v=0.1)
LINK_ALONE = replace(AS_USUAL, flags=(), pack=False, current=False)
WAYS = {
    "as usual": AS_USUAL,
    "states 150 ms late": replace(AS_USUAL, lag_s=0.15),
    "states every 200 ms": replace(AS_USUAL, flag_period_s=0.2),
    "no relay state": replace(AS_USUAL, flags=("main_contactor",)),
    "no state at all": replace(AS_USUAL, flags=()),
    "the pack every second": replace(AS_USUAL, pack_period_s=1.0),
}


def _kinds(findings: list[Finding]) -> list[str]:
    return [finding.kind.removeprefix("precharge.") for finding in findings]


def _judged(cycle: KeyCycle, logging: Logging, seed: int = 1) -> list[Finding]:
    return findings_of(precharge, play_log(seed, (cycle,), END_S, hazel(), logging).signals, HAZEL)


@pytest.mark.parametrize(("way", "kind"), crossed(list(WAYS), list(CYCLES), each=3))
def test_every_kind_is_recognised_however_it_is_logged(kind: str, way: str) -> None:
    seed = list(CYCLES).index(kind) * len(WAYS) + list(WAYS).index(way)
    assert _kinds(_judged(CYCLES[kind], WAYS[way], seed)) == [kind]


@pytest.mark.parametrize("flags", [FLAG_NAMES, ()])
def test_a_path_that_is_open_shows_by_the_relay_state_alone(flags: tuple[str, ...]) -> None:
    """An open resistor: without states there is nothing to see, and nothing is claimed."""
    signals = play_log(1, (KeyCycle(2.2, 20.0, resistance_ohm=1e9),), END_S, hazel(), replace(AS_USUAL, flags=flags))
    if flags:
        assert _kinds(findings_of(precharge, signals.signals, HAZEL)) == ["no_rise"]
    else:
        with pytest.raises(Exception, match="never rises"):
            findings_of(precharge, signals.signals, HAZEL)


def test_the_end_of_an_interrupted_rise_is_no_measure_of_a_load() -> None:
    """Seldom sampled, and without states, a cut off rise looks settled; it was over too soon for a load."""
    coarse = replace(AS_USUAL, period_s=0.05, flags=())
    for seed in range(2):
        (found,) = _judged(KeyCycle(2.2, 20.0, drop_out_s=0.08), coarse, seed)
        assert found.kind == "precharge.interrupted"
        assert not {"parallel_load_ohm", "load_power_W"} & set(found.measured)


@pytest.mark.parametrize("flags", [FLAG_NAMES, ()])
def test_every_retry_is_an_attempt(flags: tuple[str, ...]) -> None:
    """Three tries, each cut off by its relay; the link holds what it has got, and each try adds to it."""
    cycle = KeyCycle(2.2, 20.0, drop_out_s=0.08, retries=2, pause_s=1.0)
    findings = _judged(cycle, replace(AS_USUAL, flags=flags))
    assert _kinds(findings) == ["interrupted"] * 3
    starts = [finding.start_s for finding in findings]
    assert starts == pytest.approx([2.2, 6.2, 10.2], abs=0.03)


def test_a_relay_that_closes_onto_a_stalled_link_is_told() -> None:
    """The load goes with the relay, the link holds its level, and the next tries find it where it was."""
    findings = _judged(KeyCycle(2.2, 20.0, parallel_ohm=600.0, retries=1), AS_USUAL)
    assert _kinds(findings)[0] == "stalled"
    assert all(kind in ("stalled", "no_rise") for kind in _kinds(findings))
    assert len(findings) == 2


@pytest.mark.parametrize(("bleeder_ohm", "kind"), [(20e3, "undetermined"), (100e3, "complete")])
@pytest.mark.parametrize("parallel_ohm", [1200.0, 2000.0])
def test_a_link_held_low_is_nothing_good_where_the_pack_is_not_logged(
    parallel_ohm: float, bleeder_ohm: float, kind: str
) -> None:
    """It stalls at 89 or 93 % of a pack that nothing shows; its constant is shorter by less than the tolerance."""
    cycle, circuit = KeyCycle(2.2, 20.0, parallel_ohm=parallel_ohm), hazel(bleeder_ohm=bleeder_ohm)
    (found,) = findings_of(precharge, play_log(1, (cycle,), END_S, circuit, LINK_ALONE).signals, HAZEL)
    assert found.kind == f"precharge.{kind}"
    assert found.severity is Severity.INFO
    assert "load" in found.explanation


def _hot(seed: int, off_s: float, logging: Logging, bleeder_ohm: float) -> Signals:
    """Off at 10 s and on again."""
    cycles = (KeyCycle(2.2, 10.0), KeyCycle(off_s, 24.0))
    return play_log(seed, cycles, END_S, hazel(bleeder_ohm=bleeder_ohm), logging).signals


@pytest.mark.parametrize("way", ["as usual", "no relay state", "no state at all"])
@pytest.mark.parametrize("seed", seeds(1, of=2))
def test_a_hot_restart_from_80_percent_is_an_attempt(seed: int, way: str) -> None:
    """8 s on a bleeder of 36 kohm: exp(−8/36) leaves 80 %."""
    found = findings_of(precharge, _hot(seed, 18.0, WAYS[way], 36e3), HAZEL)
    assert _kinds(found) == ["complete", "complete"]
    again = found[1].measured
    assert again["start_voltage_V"].value == pytest.approx(0.80 * 331, rel=0.02)
    assert again["time_constant_s"].low < 0.15 < again["time_constant_s"].high


@pytest.mark.parametrize("seed", range(3))
def test_a_restart_above_the_closing_threshold_is_no_fault(seed: int) -> None:
    """2 s on 47 kohm leave 96 %: the contactor closes at once, and rightly."""
    found = findings_of(precharge, _hot(seed, 12.0, Logging(), 47e3), HAZEL)
    assert _kinds(found) == ["complete", "complete"]
    assert found[1].start_s == pytest.approx(12.0, abs=0.1)


@pytest.mark.parametrize("kind", ["complete", "slow", "stalled", "closed_early"])
def test_a_pack_voltage_that_wakes_late_or_sags_changes_nothing(kind: str) -> None:
    """Zero until half a second after the rise; then off by what a load on the pack takes from both voltages."""
    signals = play_log(3, (CYCLES[kind],), END_S, hazel(pack_ohm=0.3), AS_USUAL).signals
    pack = signals["battery_voltage"]
    late = replace(pack, value=np.where(pack.time_s < 3.6, 0.0, pack.value))
    assert _kinds(findings_of(precharge, changed(signals, {"battery_voltage": late}), HAZEL)) == [kind]


@pytest.mark.parametrize("way", ["as usual", "no state at all"])
def test_a_contactor_that_closes_and_drops_leaves_the_precharge_what_it_was(way: str) -> None:
    """It drops 0.4 s later and the link bleeds down: the precharge itself was complete."""
    signals = play_log(4, (KeyCycle(2.2, 3.4),), 12.0, hazel(), WAYS[way]).signals
    assert _kinds(findings_of(precharge, signals, HAZEL)) == ["complete"]


def test_a_closing_is_seen_as_a_step_where_no_state_tells() -> None:
    finding = _judged(CYCLES["closed_early"], replace(AS_USUAL, flags=(), pack=False))[0]
    assert finding.kind == "precharge.closed_early"
    at_close = finding.measured["fraction_at_close"]
    assert at_close.low <= 0.70 <= at_close.high


def test_a_state_that_never_changes_is_as_good_as_none() -> None:
    """A relay that is logged open throughout, for its message is the wrong one."""
    played = play_log(1, (CYCLES["slow"],), END_S, hazel(), AS_USUAL)
    never: Part = state(np.random.default_rng(1), "precharge_relay", [], END_S, AS_USUAL)
    assert _kinds(findings_of(precharge, changed(played.signals, {"precharge_relay": never}), HAZEL)) == ["slow"]


@pytest.mark.parametrize(("flags", "period_s"), [(FLAG_NAMES, 0.02), ((), 0.005)])
def test_a_load_that_starts_and_stops_makes_one_stalled_attempt(flags: tuple[str, ...], period_s: float) -> None:
    """A converter of 400 W that starts at 200 V and stops at 190 V: the resistor lets through 175 W there at most."""
    cycle = KeyCycle(2.2, 20.0, power_W=400.0, cut_in_V=200.0)
    findings = _judged(cycle, replace(AS_USUAL, flags=flags, period_s=period_s))
    stalled = [finding for finding in findings if finding.kind != "precharge.resistor_stress"]
    assert _kinds(stalled) == ["stalled"]
    assert "between the same two levels" in stalled[0].explanation


@pytest.mark.parametrize(("timeout_s", "samples"), [(1.3, 8), pytest.param(1.5, 12, marks=pytest.mark.study)])
def test_a_load_that_starts_and_stops_is_seen_through_a_sensor_that_averages(timeout_s: float, samples: int) -> None:
    """The mean of 40 or 60 ms rounds the teeth off; the relay may leave the link higher than any of them."""
    cycle = KeyCycle(2.2, 20.0, power_W=200.0, cut_in_V=200.0, timeout_s=timeout_s)
    played = play_log(3, (cycle,), END_S, hazel(), FINE)
    link = played.signals["dc_link_voltage"]
    averaged = uniform_filter1d(link.value, samples, origin=samples // 2 - 1)
    seen = changed(played.signals, {"dc_link_voltage": replace(link, value=np.round(averaged / 0.1) * 0.1)})
    first = findings_of(precharge, seen, HAZEL)[0]
    assert first.kind == "precharge.stalled"
    assert "between the same two levels" in first.explanation
    assert "settled" not in first.explanation
    fraction = first.measured["fraction_reached"].value
    assert fraction is not None
    assert fraction == pytest.approx(0.6, abs=0.02)  # 200 V of 331 V


@pytest.mark.parametrize("drop_out_s", [0.24, pytest.param(0.3, marks=pytest.mark.study)])
def test_a_relay_that_drops_out_behind_a_sensor_that_averages_is_no_closing(drop_out_s: float) -> None:
    """The mean of 55 ms comes to its level from below as if a contactor had closed; the pack stands a fifth higher."""
    signals = play_log(0, (KeyCycle(2.2, 20.0, drop_out_s=drop_out_s),), END_S, hazel(), FINE).signals
    link = signals["dc_link_voltage"]
    averaged = np.round(uniform_filter1d(link.value, 11, origin=5) / 0.1) * 0.1
    seen = changed(signals, {"dc_link_voltage": replace(link, value=averaged)})
    assert _kinds(findings_of(precharge, seen, HAZEL)) == ["interrupted"]


@pytest.mark.parametrize("seed", [3, *(pytest.param(seed, marks=pytest.mark.study) for seed in (6, 8, 10))])
def test_a_contactor_that_closes_early_between_two_states_is_no_fast_link(seed: int) -> None:
    """Behind sensing lags of 23 and 6 ms, with stamps on a grid of 50 ms, the two have one curve."""
    played = play_log(seed, (CLOSES_AT_40,), END_S, hazel(), replace(FINE, lag_s=0.02))
    link, grid = _behind(played.signals["dc_link_voltage"], 0.023, 0.006), 0.05
    stamped = np.ceil(link.time_s / grid) * grid + 1e-6 * np.arange(link.time_s.size)
    seen = changed(played.signals, {"dc_link_voltage": replace(link, time_s=stamped)})
    kinds = _kinds(findings_of(precharge, seen, HAZEL))
    assert kinds[0] in ("undetermined", "closed_early")


def _behind(link: Part, *lags_s: float) -> Part:
    """A link's voltage as sensed behind low-passes one after the other."""
    lagging = link.value - link.value[0]
    for lag_s in lags_s:
        lagging = answer(([1.0], [lag_s, 1.0]), lagging, link.period_s, "zoh")
    return replace(link, value=np.round((link.value[0] + lagging) / 0.1) * 0.1)


@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_a_relay_that_drops_out_behind_a_slow_sensor_is_no_load_on_the_link(seed: int) -> None:
    """A low-pass of 72 ms rounds the cut off curve into one that settles; a load would drain the link afterwards."""
    cycle = KeyCycle(2.2, 20.0, drop_out_s=0.08)
    played = play_log(seed, (cycle,), END_S, hazel(), replace(AS_USUAL, period_s=0.02))
    seen = changed(played.signals, {"dc_link_voltage": _behind(played.signals["dc_link_voltage"], 0.0726, 0.0134)})
    (found,) = findings_of(precharge, seen, HAZEL)
    assert found.kind == "precharge.interrupted"
    assert "parallel_load_ohm" not in found.measured


@pytest.mark.parametrize("flags", [FLAG_NAMES, ()])
def test_a_first_reading_at_the_upper_level_is_no_rise_that_broke_off(flags: tuple[str, ...]) -> None:
    """Teeth too small for rises of their own, read so coarsely that no sample shows the bend: the link is still fed."""
    cycle = KeyCycle(2.2, 20.0, power_W=400.0, cut_in_V=160.0)
    findings = _judged(cycle, replace(AS_USUAL, flags=flags, period_s=0.05))
    assert _kinds(findings)[0] == "stalled"


def test_without_a_pack_voltage_a_contactor_that_stays_open_leaves_the_cause_open() -> None:
    """90 % or all of the pack: the link alone looks the same, and must not be called complete."""
    without = replace(AS_USUAL, pack=False)
    finding = _judged(KeyCycle(2.2, 20.0, parallel_ohm=1400.0), without)[0]
    assert finding.kind == "precharge.undetermined"
    assert "contactor stayed open" in finding.explanation


def test_a_link_below_the_emptiest_pack_has_stalled_whatever_the_pack_holds() -> None:
    played = play_log(1, (KeyCycle(2.2, 20.0, parallel_ohm=200.0),), END_S, hazel(), replace(AS_USUAL, pack=False))
    vehicle = HAZEL.model_copy(update={"limits": Limits(battery_min_V=240.0)})
    assert _kinds(findings_of(precharge, played.signals, vehicle)) == ["stalled"]


@pytest.mark.study
def test_the_limits_of_the_closing_hold_the_link_s_voltage() -> None:
    """They are bounds: the link at the two readings between which a contactor closed, either way by its noise."""
    study = LimitsStudy(widest=2.5)
    for seed in range(7):
        for kind in ("complete", "slow", "closed_early"):
            played = play_log(seed, (CYCLES[kind],), END_S, hazel(), AS_USUAL)
            truth = next(event for event in played.truth if event.kind.startswith("precharge."))
            found = findings_of(precharge, played.signals, HAZEL)[0].measured["fraction_at_close"]
            study.of(truth.parameters["fraction_at_close"], found)
    study.judge()


def test_a_closing_shows_which_constant_is_the_sensing_lag() -> None:
    """One constant far above R·C and one far below: the reading settles behind the closing with the lag alone."""
    played = play_log(5, (CYCLES["slow"],), END_S, hazel(lag_s=0.02), replace(AS_USUAL, period_s=0.005, current=False))
    finding = findings_of(precharge, played.signals, HAZEL)[0]
    assert finding.kind == "precharge.slow"
    assert finding.measured["sensing_lag_s"].value == pytest.approx(0.02, rel=0.1)


def test_a_fast_rise_to_an_unknown_pack_may_as_well_be_a_load() -> None:
    """No states, no pack voltage, no step: 400 ohm across the link make 109 ms of 150 just as 109 ohm would."""
    blind = replace(AS_USUAL, flags=(), pack=False, current=False)
    stalled = _judged(KeyCycle(2.2, 20.0, parallel_ohm=400.0), blind)[0]
    assert stalled.kind == "precharge.undetermined"
    assert "shortens the time constant in the same way" in stalled.explanation
