"""The contactor check on simulated key cycles and made faults.

Oracle: the circuit of the simulator, which shares no code with the check, and the moments at which the test itself
switches. Correlation is scipy's. There is no published example of a log of these faults; common practice, no
published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from key_cycle_traces import FLAG_NAMES, Logging, changed, hazel, play_log, state, voltages
from one_check import findings_of
from scipy.signal import lfilter
from seeds import seeds

from logscope.checks.contactors.blind import COARSEST_S
from logscope.checks.contactors.check import contactors
from logscope.findings import CAUTION_HV, Finding, NothingToCheck, Severity
from logscope.signals import MissingPart, Part, Signals
from logscope.simulate.circuits import HighVoltage, Stage, solve
from logscope.simulate.scenarios import KeyCycle
from logscope.vehicle import DcLink, Precharge, Vehicle

HAZEL = Vehicle(
    precharge=Precharge(resistance_ohm=150, capacitance_uF=1000),
    dc_link=DcLink(bleeder_ohm=47000, discharge_limit_s=300),
)
USUAL = Logging()
PERIODS_S = (0.005, 0.02, 0.1, 0.2)
OFF_S, END_S = 12.3, 18.0
PULL = {"power_W": 15e3, "cut_in_V": 120.0, "cut_out_V": 100.0}  # an inverter that goes on drawing


def _logged(
    seed: int,
    stages: tuple[Stage, ...],
    closed: dict[str, list[tuple[float, float]]],
    load: tuple[tuple[float, float], ...] = ((0.0, 0.0),),
    logging: Logging = USUAL,
    circuit: HighVoltage | None = None,
) -> Signals:
    """A log of given stages of the circuit and of states that say what they are told to."""
    rng = np.random.default_rng(seed)
    solution = solve(circuit or hazel(), (Stage(0.0), *stages), END_S)
    times, amps = (np.array(column) for column in zip(*load, strict=True))
    parts = voltages(rng, solution, (times, amps), END_S, logging)
    for name in logging.flags:
        parts[name] = state(rng, name, closed.get(name, []), END_S, logging)
    return Signals(parts, 0.0, END_S)


def _usual(off_s: float = OFF_S) -> dict[str, list[tuple[float, float]]]:
    return {
        "negative_contactor": [(1.8, off_s + 0.1)],
        "precharge_relay": [(2.2, 3.5)],
        "main_contactor": [(3.2, off_s)],
    }


CHARGED = (Stage(2.2, relay=True), Stage(3.2, relay=True, contactor=True), Stage(3.5, contactor=True))


def _kinds(findings: list[Finding]) -> list[str]:
    return [finding.kind.removeprefix("contactor.") for finding in findings]


@pytest.mark.parametrize("period_s", PERIODS_S)
@pytest.mark.parametrize("flags", [FLAG_NAMES, ("main_contactor",), ("main_contactor", "precharge_relay")])
def test_healthy_drives_raise_no_alarm(period_s: float, flags: tuple[str, ...]) -> None:
    for seed in range(4):
        cycles = (KeyCycle(2.2, OFF_S), KeyCycle(18.0, 26.0))
        logging = Logging(period_s=period_s, flag_period_s=max(period_s, 0.02), flags=flags)
        findings = findings_of(contactors, play_log(seed, cycles, 31.0, hazel(), logging).signals, HAZEL)
        seen = period_s <= COARSEST_S
        assert _kinds(findings) == ["sound" if seen else "undetermined"]
        assert findings[0].severity is (Severity.GOOD if seen else Severity.INFO)
        assert findings[0].measured["count"].value == 2
        assert findings[0].measured["shortest_dropout_s"].value == pytest.approx(period_s, rel=0.1)


@pytest.mark.parametrize(("lost_s", "kind"), [(0.7, "sound"), (3.0, "undetermined")])
def test_sound_is_not_claimed_over_what_is_missing_from_the_log(lost_s: float, kind: str) -> None:
    for seed in range(3):
        signals = _logged(seed, (*CHARGED, Stage(OFF_S)), _usual())
        kept = {n: p.where((p.time_s < 6.0) | (p.time_s > 6.0 + lost_s)) for n, p in signals.parts.items()}
        (finding,) = findings_of(contactors, replace(signals, parts=kept), HAZEL)
        assert finding.kind == f"contactor.{kind}"
        assert finding.measured["missing_s"].value == pytest.approx(lost_s, abs=0.15)
        assert "missing" in finding.title


@pytest.mark.parametrize("flag_period_s", [0.02, 0.1])
def test_states_alone_do_not_show_that_no_contactor_dropped_out(flag_period_s: float) -> None:
    """They may be commands, which a contactor that opens by itself does not change."""
    signals = _logged(1, (*CHARGED, Stage(OFF_S)), _usual(), logging=Logging(flag_period_s=flag_period_s))
    parts = {name: part for name, part in signals.parts.items() if name != "dc_link_voltage"}
    (finding,) = findings_of(contactors, replace(signals, parts=parts), HAZEL)
    assert finding.kind == "contactor.undetermined"
    assert finding.severity is Severity.INFO
    assert finding.measured["shortest_dropout_s"].value is None
    assert "need the link voltage" in finding.title
    assert "link voltage and pack current" in finding.next_step


LOADED = ((5.0, 0.0), (5.5, 120.0), (9.0, 120.0), (9.5, 0.0))


@pytest.mark.parametrize(("link_s", "flag_s", "kind"), [(0.2, 0.02, "undetermined"), (0.02, 0.5, "sound")])
def test_how_short_a_dropout_shows_is_a_matter_of_the_link_and_not_of_the_states(
    link_s: float, flag_s: float, kind: str
) -> None:
    logging = Logging(period_s=link_s, flag_period_s=flag_s)
    (finding,) = findings_of(contactors, _logged(1, (*CHARGED, Stage(OFF_S)), _usual(), LOADED, logging), HAZEL)
    assert finding.kind == f"contactor.{kind}"
    assert finding.measured["shortest_dropout_s"].value == pytest.approx(link_s, rel=0.1)


@pytest.mark.parametrize("current", [True, False])
def test_without_load_no_dropout_is_excluded(current: bool) -> None:
    (finding,) = findings_of(
        contactors, _logged(1, (*CHARGED, Stage(OFF_S)), _usual(), logging=Logging(current=current)), HAZEL
    )
    assert finding.kind == "contactor.sound"
    assert finding.measured["shortest_dropout_s"].value is None
    assert "dropout," not in finding.title
    assert ("no load current flowed" if current else "need a logged current") in finding.title


@pytest.mark.parametrize("logging", [Logging(flag_period_s=0.5), Logging(pack_period_s=1.0), Logging(pack=False)])
def test_slow_states_or_a_slow_pack_voltage_raise_no_alarm(logging: Logging) -> None:
    for seed in range(4):
        soft = hazel(open_circuit_V=110.0, pack_ohm=0.1)  # sags by a quarter at full current
        findings = findings_of(contactors, play_log(seed, (KeyCycle(2.2, OFF_S),), 17.0, soft, logging).signals, HAZEL)
        assert not [finding for finding in findings if finding.severity.rank >= Severity.WARNING.rank]


def test_the_order_of_closing_is_told() -> None:
    signals = _logged(1, (*CHARGED, Stage(OFF_S)), _usual())
    sound = findings_of(contactors, signals, HAZEL)
    assert "negative contactor, precharge relay, main contactor" in sound[0].method


@pytest.mark.parametrize("amps", [30.0, 180.0])
@pytest.mark.parametrize("period_s", PERIODS_S)
def test_an_opening_under_load_is_told_with_its_current(amps: float, period_s: float) -> None:
    seed = round(amps + 1e3 * period_s)  # one noise for each row
    stages = (*CHARGED, Stage(OFF_S, power_W=amps * 331, cut_in_V=120.0, cut_out_V=100.0))
    load = ((5.0, 0.0), (5.5, amps), (OFF_S, amps), (OFF_S + 1e-3, 0.0))
    (finding,) = findings_of(contactors, _logged(seed, stages, _usual(), load, Logging(period_s=period_s)), HAZEL)
    assert finding.kind == "contactor.opened_under_load"
    assert finding.severity is Severity.WARNING
    current = finding.measured["current_A"]
    assert current.low is not None
    assert current.high is not None
    assert current.low - 1 <= amps <= current.high + 1
    assert finding.caution == CAUTION_HV


def test_a_current_that_ends_just_before_the_opening_is_no_opening_under_load() -> None:
    for seed in range(6):
        load = ((5.0, 0.0), (5.5, 180.0), (OFF_S - 0.03, 180.0), (OFF_S - 0.02, 0.0))
        assert _kinds(findings_of(contactors, _logged(seed, (*CHARGED, Stage(OFF_S)), _usual(), load), HAZEL)) == [
            "sound"
        ]


def test_an_active_discharge_is_no_opening_under_load() -> None:
    load = ((5.0, 0.0), (5.5, 180.0), (OFF_S - 0.03, 180.0), (OFF_S - 0.02, 0.0))
    for seed in range(4):
        stages = (*CHARGED, Stage(OFF_S, parallel_ohm=1000.0))
        assert _kinds(findings_of(contactors, _logged(seed, stages, _usual(), load), HAZEL)) == ["sound"]


def test_without_the_link_an_opening_about_the_end_of_a_current_is_left_open() -> None:
    load = ((5.0, 0.0), (5.5, 180.0), (OFF_S, 180.0), (OFF_S + 1e-3, 0.0))
    signals = _logged(1, (*CHARGED, Stage(OFF_S)), _usual(), load)
    parts = {name: part for name, part in signals.parts.items() if name != "dc_link_voltage"}
    (finding,) = [
        f for f in findings_of(contactors, replace(signals, parts=parts), HAZEL) if f.kind == "contactor.undetermined"
    ]
    assert finding.measured["current_A"].value is None
    assert (finding.measured["current_A"].high or 0) > 170


def _dropped(seed: int, logging: Logging, out_s: float = 0.4) -> Signals:
    """The contactor drops out under 120 A at 8 s; the inverter drains the link, and it closes again."""
    load = ((5.0, 0.0), (5.5, 120.0), (8.0, 120.0), (8.001, 0.0))
    back_s = 8.0 + out_s
    stages = (*CHARGED, Stage(8.0, **PULL), Stage(back_s, contactor=True), Stage(OFF_S))
    closed = _usual() | {"main_contactor": [(3.2, 8.0), (back_s, OFF_S)]}
    return _logged(seed, stages, closed, load, logging)


@pytest.mark.parametrize("period_s", PERIODS_S)
def test_a_dropout_under_load_is_told_by_state_or_voltage_alone(period_s: float) -> None:
    seed = round(1e3 * period_s)  # one noise for each row
    for flags in (FLAG_NAMES, ()):
        findings = findings_of(contactors, _dropped(seed, Logging(period_s=period_s, flags=flags)), HAZEL)
        (finding,) = [f for f in findings if f.kind == "contactor.dropout"]
        assert finding.severity is Severity.DANGER
        assert abs(finding.start_s - 8.0) < 0.35
        assert (finding.measured["current_A"].high or 0) == pytest.approx(120, abs=3)
        assert "under load" in finding.title
        assert _kinds(findings).count("dropout") == 1


def test_a_dropout_that_its_state_misses_is_told_by_the_voltage() -> None:
    signals = _dropped(2, Logging(period_s=0.01), out_s=0.08)
    told = _usual()["main_contactor"]
    unaware = state(np.random.default_rng(0), "main_contactor", told, END_S, Logging())
    findings = findings_of(contactors, changed(signals, {"main_contactor": unaware}), HAZEL)
    assert [f.kind for f in findings if f.severity is Severity.DANGER] == ["contactor.dropout"]
    assert "A contactor: dropped out" in next(f for f in findings if f.severity is Severity.DANGER).title


def _braked(seed: int, logging: Logging) -> Signals:
    """Braking with 40 A from 6 s on, all through sound contactors."""
    load = ((5.5, 0.0), (6.0, -40.0), (8.0, -40.0), (9.0, -40.0), (9.1, 0.0))
    return _logged(seed, (*CHARGED, Stage(OFF_S)), _usual(), load, logging)


def _lifted(signals: Signals, out_s: float, ends_V: float = 425.0) -> Signals:
    """The same with a contactor open from 8 s on: 40 A lift 1000 µF by 40 V each ms, until the inverter stops."""
    link = signals["dc_link_voltage"]
    open_ = (link.time_s >= 8.0) & (link.time_s < 8.0 + out_s)
    rises = np.minimum(link.value + 40e3 * (link.time_s - 8.0), ends_V)
    return changed(signals, {"dc_link_voltage": replace(link, value=np.where(open_, np.round(rises), link.value))})


@pytest.mark.parametrize("period_s", [0.005, 0.02, 0.05])
@pytest.mark.parametrize("pack", [True, False])
def test_a_dropout_while_braking_lifts_the_link_off_the_pack(period_s: float, pack: bool) -> None:
    seed = round(1e3 * period_s)  # one noise for each row
    signals = _lifted(_braked(seed, Logging(period_s=period_s, flags=(), pack=pack)), 0.12)
    (finding,) = [f for f in findings_of(contactors, signals, HAZEL) if f.kind == "contactor.dropout"]
    assert finding.severity is Severity.DANGER
    assert abs(finding.start_s - 8.0) <= period_s + 0.01
    assert finding.measured["link_high_V"].value == pytest.approx(425, abs=1)
    assert "rose because the motor braked" in finding.explanation


@pytest.mark.parametrize("grid_s", [0.0, 0.05])
@pytest.mark.parametrize("lag_s", [0.01, 0.03])
@pytest.mark.parametrize("pack", [True, False])
def test_a_lift_is_seen_through_a_filter_and_on_coarse_stamps(grid_s: float, lag_s: float, pack: bool) -> None:
    """The filter is scipy's, of first order."""
    seed = round(1e3 * (grid_s + lag_s))  # one noise for each row
    signals = _lifted(_braked(seed, Logging(period_s=0.005, flags=(), pack=pack)), 0.15)
    link = signals["dc_link_voltage"]
    share = 1 - np.exp(-0.005 / lag_s)
    filtered = np.round(lfilter([share], [1, share - 1], link.value), 1)
    lagging = _on_grid(signals, grid_s)
    link = replace(lagging["dc_link_voltage"], value=filtered)
    (finding,) = [
        f
        for f in findings_of(contactors, changed(lagging, {"dc_link_voltage": link}), HAZEL)
        if f.kind == "contactor.dropout"
    ]
    assert abs(finding.start_s - 8.0) <= lag_s + 0.06


@pytest.mark.parametrize("grid_s", [0.0, 0.02, 0.05])
@pytest.mark.parametrize("out_s", [0.03, 0.1])
def test_a_short_dropout_is_seen_where_several_samples_bear_one_stamp(grid_s: float, out_s: float) -> None:
    seed = round(1e3 * (grid_s + out_s))  # one noise for each row
    signals = _on_grid(_dropped(seed, Logging(period_s=0.01, flags=()), out_s), grid_s)
    (finding,) = [f for f in findings_of(contactors, signals, HAZEL) if f.kind == "contactor.dropout"]
    assert abs(finding.start_s - 8.0) <= 0.02 + grid_s


def _on_grid(signals: Signals, grid_s: float) -> Signals:
    """The same, each sample stamped when a logger that looks only so often finds it."""
    if not grid_s:
        return signals
    return changed(
        signals,
        {name: replace(part, time_s=np.ceil(part.time_s / grid_s) * grid_s) for name, part in signals.parts.items()},
    )


@pytest.mark.parametrize("period_s", PERIODS_S)
def test_braking_through_sound_contactors_is_no_dropout(period_s: float) -> None:
    for seed in range(3):
        signals = _braked(seed, Logging(period_s=period_s))
        assert "dropout" not in _kinds(findings_of(contactors, signals, HAZEL))
        higher = {
            name: replace(part, value=np.where(part.time_s > 7, np.round(1.2 * part.value), part.value))
            for name in ("dc_link_voltage", "battery_voltage")
            if (part := signals.get(name)) is not None
        }  # a pack that leaps with its link, whatever ails its sensors
        assert "dropout" not in _kinds(findings_of(contactors, changed(signals, higher), HAZEL))


@pytest.mark.parametrize("told", [HAZEL, Vehicle()])
@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_a_welded_contactor_is_told_by_a_missing_fall_or_by_a_pack_that_moves(told: Vehicle, seed: int) -> None:
    stages = CHARGED  # never opens
    signals = _logged(seed, stages, _usual())
    wave = 3 * np.sin(2 * np.pi * signals["battery_voltage"].time_s / 2.7)
    wave_link = 3 * np.sin(2 * np.pi * signals["dc_link_voltage"].time_s / 2.7)
    moving = changed(
        signals,
        {
            "battery_voltage": replace(
                signals["battery_voltage"], value=signals["battery_voltage"].value + np.round(wave * 2) / 2
            ),
            "dc_link_voltage": replace(
                signals["dc_link_voltage"], value=signals["dc_link_voltage"].value + np.round(wave_link * 2) / 2
            ),
        },
    )
    (finding,) = findings_of(contactors, moving, told)
    assert finding.kind == "contactor.welded"
    assert finding.severity is Severity.DANGER
    assert (finding.measured["correlation"].value or 0) > 0.8
    (still,) = findings_of(contactors, signals, told)
    assert still.kind == ("contactor.welded" if told is HAZEL else "contactor.undetermined")
    if told is HAZEL:
        assert "or its bleeder is open" in still.title


@pytest.mark.parametrize("seed", seeds(1, of=6))
def test_a_link_that_falls_away_from_a_moving_pack_is_not_welded(seed: int) -> None:
    signals = _logged(seed, (*CHARGED, Stage(OFF_S)), _usual())
    pack = signals["battery_voltage"]
    moving = replace(pack, value=pack.value + np.round(6 * np.sin(2 * np.pi * pack.time_s / 2.7)) / 2)
    assert _kinds(findings_of(contactors, changed(signals, {"battery_voltage": moving}), Vehicle())) == ["sound"]


def _switching(name: str, times: list[float], period_s: float = 0.02) -> Part:
    """A state that is toggled at given times, starting open."""
    time_s = np.arange(0.0, END_S, period_s)
    on = np.searchsorted(times, time_s, side="right") % 2 == 1
    return Part(name, time_s, on.astype(float), "", f"Junction.{name}", 1.0, on=on)


def test_chatter_is_gathered_and_counted() -> None:
    signals = _logged(1, (*CHARGED, Stage(OFF_S)), _usual())
    times = [3.2, 3.3, 3.35, 3.45, 3.5, 8.0, 8.05, 8.12, 8.2, OFF_S]
    findings = findings_of(contactors, changed(signals, {"main_contactor": _switching("main_contactor", times)}), HAZEL)
    (finding,) = [f for f in findings if f.kind == "contactor.chatter"]
    assert finding.measured["count"].value == 9
    assert len(finding.events) == 2
    assert finding.parts[0] == "main_contactor"


def test_a_contactor_that_closes_and_drops_is_told() -> None:
    signals = _logged(1, (*CHARGED, Stage(3.7), Stage(8.0)), {})
    parts = {
        "precharge_relay": _switching("precharge_relay", [2.2, 3.5]),
        "main_contactor": _switching("main_contactor", [3.2, 3.7]),
        "negative_contactor": _switching("negative_contactor", [1.8, 3.8]),
    }
    assert "closed_briefly" in _kinds(findings_of(contactors, changed(signals, parts), HAZEL))


# When main contactor, precharge relay and negative contactor close, and whether that contradicts a precharge.
ORDERS = {
    "main before relay": (2.2, 3.2, 1.8, True),
    "no relay": (3.2, None, 1.8, True),
    "negative last": (3.2, 2.2, 4.5, True),
    "negative second": (3.2, 2.0, 2.2, False),
    "main before relay by less than a lag": (2.2, 2.3, 1.8, False),
}


@pytest.mark.parametrize("name", ORDERS)
def test_only_an_order_that_contradicts_a_precharge_is_judged(name: str) -> None:
    main_s, relay_s, negative_s, wrong = ORDERS[name]
    times = {
        "main_contactor": [main_s, OFF_S],
        "precharge_relay": [] if relay_s is None else [relay_s, relay_s + 1.4],
        "negative_contactor": [negative_s, OFF_S],
    }
    bare = (Stage(3.2, contactor=True), Stage(OFF_S)) if name == "no relay" else (*CHARGED, Stage(OFF_S))
    parts = {part: replace(_switching(part, when), source=f"M{part}.State") for part, when in times.items()}
    findings = findings_of(contactors, changed(_logged(1, bare, {}), parts), HAZEL)
    assert ("order" in _kinds(findings)) == wrong


def test_states_of_one_message_share_their_lag() -> None:
    times = {"main_contactor": [2.2, OFF_S], "precharge_relay": [2.3, 3.6], "negative_contactor": [1.8, OFF_S]}
    parts = {part: _switching(part, when) for part, when in times.items()}
    findings = findings_of(contactors, changed(_logged(1, (*CHARGED, Stage(OFF_S)), {}), parts), HAZEL)
    assert "order" in _kinds(findings)


def test_what_is_missing_is_said() -> None:
    with pytest.raises(MissingPart):
        findings_of(contactors, Signals({}, 0.0, 1.0), HAZEL)
    with pytest.raises(NothingToCheck, match="state is mapped, and the voltages show no dropout"):
        findings_of(contactors, play_log(0, (KeyCycle(2.2, OFF_S),), 17.0, hazel(), Logging(flags=())).signals, HAZEL)
    idle = play_log(0, (), 5.0, hazel(), Logging()).signals
    with pytest.raises(NothingToCheck, match="no contactor switches"):
        findings_of(contactors, idle, HAZEL)
