"""Openings, falls and rises as real vehicles log them, and what they must not be taken for.

Oracle: voltages written down in closed form (exponentials, straight lines) and the moments at which the test switches;
nothing here is taken from the simulator. The shapes are those seen in captures of real vehicles: a link that is braked
into, a pack voltage measured behind a contactor, states in one enumeration, messages that cross.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from one_check import findings_of
from seeds import seeds

from logscope.arrays import FloatArray
from logscope.checks.contactors.check import contactors
from logscope.checks.discharge.check import discharge
from logscope.findings import Finding, Severity
from logscope.observations.dc_link.attempts import find_attempts
from logscope.observations.dc_link.link import describe_link
from logscope.signals import Part, Signals
from logscope.vehicle import DcLink, Precharge, Vehicle

Curve = Callable[[FloatArray], FloatArray]
PACK_V, RC_S, BLEED_S = 350.0, 0.15, 47.0
ON_S, CLOSED_S, OFF_S, END_S = 2.0, 2.7, 10.0, 20.0
VEHICLE = Vehicle(
    precharge=Precharge(resistance_ohm=150, capacitance_uF=1000),
    dc_link=DcLink(bleeder_ohm=47000, discharge_limit_s=300),
)


def _curve(after: Curve, driving: Curve = lambda t: np.full(t.size, PACK_V), off_s: float = OFF_S) -> Curve:
    """Precharge, what the link does while it is closed, and what it does after the opening (from the time since)."""

    def volts(t: FloatArray) -> FloatArray:
        rising = PACK_V * (1 - np.exp(-np.maximum(t - ON_S, 0) / RC_S))
        return np.select([t < CLOSED_S, t < off_s], [rising, driving(t)], after(np.maximum(t - off_s, 0.0)))

    return volts


def _bled(t: FloatArray) -> FloatArray:
    return PACK_V * np.exp(-t / BLEED_S)


def _quantity(name: str, curve: Curve, period_s: float, seed: int, end_s: float = END_S, begin_s: float = 0.0) -> Part:
    rng = np.random.default_rng([seed, len(name)])
    time_s = np.arange(begin_s + rng.uniform(0, period_s), end_s, period_s)
    noise = 0.2 if name.endswith("voltage") else 0.3
    step = 0.5 if name.endswith("voltage") else 0.1
    value = np.round((curve(time_s) + rng.normal(0, noise, time_s.size)) / step) * step
    return Part(name, time_s, value, "V" if name.endswith("voltage") else "A", f"{name}.Value", step)


def _state(name: str, spans: list[tuple[float, float]], seed: int, period_s: float = 0.1, late_s: float = 0.05) -> Part:
    rng = np.random.default_rng([seed, len(name), 7])
    time_s = np.arange(rng.uniform(0, period_s), END_S, period_s)
    on = np.zeros(time_s.size, dtype=bool)
    for begin, end in spans:
        on |= (time_s >= begin + late_s) & (time_s < end + late_s)
    return Part(name, time_s, on.astype(float), "", f"{name}.State", 1.0, on=on)


def _log(
    seed: int,
    link: Curve,
    period_s: float = 0.01,
    *,
    amps: Curve = lambda t: np.zeros(t.size),
    pack: Curve | None = lambda t: np.full(t.size, PACK_V),
    states: dict[str, list[tuple[float, float]]] | None = None,
    end_s: float = END_S,
) -> Signals:
    states = _usual() if states is None else states
    parts = {
        "dc_link_voltage": _quantity("dc_link_voltage", link, period_s, seed, end_s),
        "battery_current": _quantity("battery_current", amps, 0.1, seed, end_s),
    }
    if pack is not None:
        parts["battery_voltage"] = _quantity("battery_voltage", pack, 0.1, seed, end_s)
    for name, spans in states.items():
        parts[name] = _state(name, spans, seed)
    return Signals(parts, 0.0, end_s)


def _usual(off_s: float = OFF_S) -> dict[str, list[tuple[float, float]]]:
    return {"precharge_relay": [(ON_S, CLOSED_S + 0.01)], "main_contactor": [(CLOSED_S, off_s)]}


def _alarms(findings: list[Finding]) -> list[str]:
    return [finding.kind for finding in findings if finding.severity.rank >= Severity.WARNING.rank]


def _attempts(signals: Signals) -> list[float]:
    """When each attempt that is found begins [s]."""
    attempts = find_attempts(signals, describe_link(signals, None))
    assert not attempts.without_rise
    return [attempts.onset_s(attempt) for attempt in attempts.found]


# --- order

ENUMERATION = {0.0: "off", 1.0: "precharge", 2.0: "closed"}


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("handed_s", [0.0, 0.02, 0.3])
def test_states_that_cross_in_two_messages_hand_over(seed: int, handed_s: float) -> None:
    """The relay is off as soon as the contactor is closed, each reported every 100 ms with a lag of its own."""
    spans = {"precharge_relay": [(ON_S, CLOSED_S + handed_s)], "main_contactor": [(CLOSED_S, OFF_S)]}
    signals = _log(seed, _curve(_bled), states={})
    for late, (name, when) in zip((0.0, 0.12) if seed % 2 else (0.12, 0.0), spans.items(), strict=True):
        signals.parts[name] = _state(name, when, seed, late_s=late)  # type: ignore[index]
    assert _alarms(findings_of(contactors, signals, VEHICLE)) == []


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("seen", [True, False])
def test_states_of_one_enumeration_leave_nothing_open_between_two_of_its_values(seed: int, seen: bool) -> None:
    """Off, precharge, closed every 100 ms; a precharge of R·C = 20 ms may fall between two of its messages."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(rng.uniform(0, 0.1), END_S, 0.1)
    on_s = ON_S if seen else CLOSED_S - 0.07
    value = np.select([time_s < on_s, time_s < CLOSED_S, time_s < OFF_S], [0.0, 1.0, 2.0], 0.0)
    quick = lambda t: PACK_V * (1 - np.exp(-np.maximum(t - (CLOSED_S - 0.07), 0) / 0.02))  # noqa: E731
    link = _curve(_bled) if seen else lambda t: np.where(t < CLOSED_S, quick(t), _curve(_bled)(t))
    signals = _log(seed, link, states={})
    for name, on in (("precharge_relay", [1]), ("main_contactor", [2]), ("negative_contactor", [1, 2])):
        state = Part(name, time_s, value, "", "Junction.State", 1.0, ENUMERATION, on=np.isin(value, on))
        signals.parts[name] = state  # type: ignore[index]
    told = Vehicle(precharge=Precharge(resistance_ohm=150 if seen else 20, capacitance_uF=1000))
    assert _alarms(findings_of(contactors, signals, told)) == []


@pytest.mark.parametrize("period_s", [0.01, 0.1])
@pytest.mark.parametrize("pack", [lambda t: np.full(t.size, PACK_V), None], ids=["pack logged", "no pack"])
@pytest.mark.parametrize(("share", "wrong"), [(0.98, False), (0.96, False), (0.3, True), (0.0, True)])
def test_only_a_link_that_is_not_charged_already_needs_a_relay(
    period_s: float, pack: Curve | None, share: float, wrong: bool
) -> None:
    """A restart from that share of the pack: the contactor closes without a precharge, the relay much later.

    A relay that was closed for less than lies between two of its messages would look the same; so it is put.
    """
    link = lambda t: np.where(t < CLOSED_S, share * PACK_V, _curve(_bled)(t))  # noqa: E731
    states = {"precharge_relay": [(15.0, 15.1)], "main_contactor": [(CLOSED_S, OFF_S)]}
    findings = findings_of(contactors, _log(1, link, period_s, pack=pack, states=states), VEHICLE)
    assert ("contactor.order" in _alarms(findings)) is wrong
    assert not wrong or any("does not, or for less than" in finding.title for finding in findings)


# --- openings under braking, and what holds a link


def _braked(peak_V: float, tau_s: float) -> Curve:
    """Up to a peak within 20 ms, then down through the pack's level."""

    def after(t: FloatArray) -> FloatArray:
        up = PACK_V + (peak_V - PACK_V) * t / 0.02
        return np.where(t < 0.02, up, peak_V * np.exp(-(t - 0.02) / tau_s))

    return after


@pytest.mark.parametrize("period_s", [0.005, 0.01, 0.05])
@pytest.mark.parametrize(("peak_V", "tau_s"), [(871.0, 0.8), (697.0, 2.0), (520.0, 0.3), (560.0, 4.0)])
@pytest.mark.parametrize("logged", ["all", "no states", "no states, no pack"])
def test_a_link_that_is_braked_into_and_falls_through_its_pack_is_no_dropout(
    period_s: float, peak_V: float, tau_s: float, logged: str
) -> None:
    """It leaves the pack for good: nothing closed again, and what rose was no precharge."""
    braking = lambda t: np.where((t > 8.0) & (t < OFF_S), -60.0, 0.0)  # noqa: E731
    signals = _log(
        3,
        _curve(_braked(peak_V, tau_s)),
        period_s,
        amps=braking,
        pack=None if "no pack" in logged else lambda t: np.full(t.size, PACK_V),
        states=None if logged == "all" else {},
    )
    try:
        findings = findings_of(contactors, signals, VEHICLE)
    except Exception as nothing:  # without states nothing may be left to judge
        assert type(nothing).__name__ == "NothingToCheck"  # noqa: PT017
        findings = []
    assert "contactor.dropout" not in _alarms(findings)
    assert _attempts(signals) == pytest.approx([ON_S], abs=0.06)
    if logged == "all":
        (loaded,) = [f for f in findings if f.kind == "contactor.opened_under_load"]
        seen = float(signals["dc_link_voltage"].value.max()) - PACK_V
        assert loaded.measured["link_jump_V"].value == pytest.approx(seen, abs=3)


@pytest.mark.parametrize("told", [VEHICLE, Vehicle()])
@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_main_contactor_that_holds_the_link_until_the_negative_opens_is_welded(told: Vehicle, seed: int) -> None:
    late_s = 4.0
    link = _curve(lambda t: PACK_V * np.exp(-np.maximum(t - late_s, 0) / BLEED_S))
    states = {**_usual(), "negative_contactor": [(ON_S - 0.3, OFF_S + late_s)]}
    findings = findings_of(contactors, _log(seed, link, states=states), told)
    (welded,) = [f for f in findings if f.severity is Severity.DANGER]
    assert welded.kind == "contactor.welded"
    assert "only once the negative contactor opens" in welded.explanation


def test_contactors_that_open_one_after_the_other_are_sound() -> None:
    for seed in range(3):
        states = {**_usual(), "negative_contactor": [(ON_S - 0.3, OFF_S + 3.0)]}
        assert _alarms(findings_of(contactors, _log(seed, _curve(_bled), states=states), VEHICLE)) == []


@pytest.mark.parametrize("tau_s", [0.5, 5.0, 30.0])
@pytest.mark.parametrize("told", [VEHICLE, Vehicle()])
@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_pack_voltage_that_dies_with_the_link_shows_no_welded_contactor(
    tau_s: float, told: Vehicle, seed: int
) -> None:
    link = _curve(lambda t: PACK_V * np.exp(-t / tau_s))
    behind = lambda t, link=link: np.where(t < CLOSED_S, PACK_V, link(t))  # noqa: E731
    assert _alarms(findings_of(contactors, _log(seed, link, pack=behind), told)) == []


# --- rises that are no precharge


@pytest.mark.parametrize("period_s", [0.01, 0.05])
@pytest.mark.parametrize("share", [0.07, 0.15, 0.3])
@pytest.mark.parametrize("logged", ["link alone", "pack", "pack and states"])
def test_a_pack_that_recovers_from_its_sag_is_no_hot_restart(period_s: float, share: float, logged: str) -> None:
    """A pull of 1.5 s, pedal down and up within 0.1 to 0.4 s."""
    for seed, ramp_s in enumerate((0.1, 0.25, 0.4)):
        dip = lambda t, r=ramp_s: np.interp(t, [5.0, 5.0 + r, 6.5, 6.5 + r], [0.0, share, share, 0.0])  # noqa: E731
        sagging = lambda t, dip=dip: PACK_V * (1 - dip(t))  # noqa: E731
        pack = None if logged == "link alone" else sagging
        states = None if "states" in logged else {}
        signals = _log(seed, _curve(_bled, sagging), period_s, pack=pack, states=states)
        parts = {name: part for name, part in signals.parts.items() if name != "battery_current"}
        assert _attempts(Signals(parts, 0.0, END_S)) == pytest.approx([ON_S], abs=0.06)


# --- falls


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_an_active_discharge_that_stops_on_its_way_says_where(seed: int) -> None:
    after = lambda t: np.where(t < 0.4, PACK_V * np.exp(-t / 0.3), 92.3 * np.exp(-(t - 0.4) / BLEED_S))  # noqa: E731
    (found,) = findings_of(discharge, _log(seed, _curve(after)), VEHICLE)
    assert found.measured["active_stop_V"].value == pytest.approx(92, abs=2)
    assert found.measured["time_to_60V_s"].value == pytest.approx(0.4 + BLEED_S * np.log(92.3 / 60), rel=0.1)
    assert "stopped at" in found.method


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_an_active_discharge_that_ends_before_a_restart_does_not_stay_live(seed: int) -> None:
    """Down to 150 V in 0.25 s, then level for 1.2 s, and charged again."""
    back_s = 1.5

    def after(t: FloatArray) -> FloatArray:
        down = np.maximum(PACK_V * np.exp(-t / 0.3), 150.0)
        return np.where(t < back_s, down, PACK_V - (PACK_V - 150.0) * np.exp(-np.maximum(t - back_s, 0) / RC_S))

    on_s = OFF_S + back_s
    states = {
        "precharge_relay": [(ON_S, CLOSED_S + 0.01), (on_s, on_s + 0.8)],
        "main_contactor": [(CLOSED_S, OFF_S), (on_s + 0.7, END_S + 1)],
    }
    assert _alarms(findings_of(discharge, _log(seed, _curve(after), states=states), VEHICLE)) == []


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_times_count_from_the_first_reading_where_the_opening_came_before_it(seed: int) -> None:
    signals = _log(seed, _curve(_bled))
    link = _quantity("dc_link_voltage", _curve(_bled), 0.01, seed, begin_s=OFF_S + 3.0)
    (found,) = findings_of(discharge, Signals({**signals.parts, "dc_link_voltage": link}, 0.0, END_S), VEHICLE)
    assert found.start_s == pytest.approx(OFF_S + 3.0, abs=0.05)
    assert "after its first reading" in found.title
    assert found.measured["time_to_60V_s"].value == pytest.approx(BLEED_S * np.log(_bled(np.array(3.0)) / 60), rel=0.05)


def _both(off_s: float, on_s: float, later_s: float) -> dict[str, list[tuple[float, float]]]:
    """Both contactors open and close again, the negative one later and sooner; the relay is too quick to be seen."""
    return {
        "precharge_relay": [(ON_S, CLOSED_S + 0.01)],
        "main_contactor": [(CLOSED_S, off_s), (on_s, 18.0)],
        "negative_contactor": [(ON_S - 0.2, off_s + later_s), (on_s - 2 * later_s, 18.1)],
    }


def _stopping(t: FloatArray) -> FloatArray:
    return np.where((t > 3.5) & (t < OFF_S - 0.45), 60.0, 0.0)


@pytest.mark.parametrize("seed", seeds(1, of=3))
@pytest.mark.parametrize(("gap_s", "later_s"), [(2.05, 0.1), (2.05, 0.2), (2.3, 0.15)])
def test_a_key_that_is_turned_off_and_on_is_no_dropout_of_the_contactor_that_opens_last(gap_s, later_s, seed):
    on_s = OFF_S + gap_s
    link = _curve(lambda t: np.where(t < gap_s, _bled(t), PACK_V))
    found = findings_of(contactors, _log(seed, link, amps=_stopping, states=_both(OFF_S, on_s, later_s)), VEHICLE)
    assert "contactor.dropout" not in _alarms(found)


@pytest.mark.parametrize("seed", seeds(1, of=3))
@pytest.mark.parametrize("later_s", [0.0, 0.1])
def test_both_contactors_that_drop_out_for_a_moment_under_load_are_told(later_s, seed):
    link = _curve(lambda t: np.where(t < 0.6, PACK_V * np.exp(-t / 0.3), PACK_V))
    driving = lambda t: np.where(t > 3.5, 60.0, 0.0)  # noqa: E731
    found = findings_of(contactors, _log(seed, link, amps=driving, states=_both(OFF_S, OFF_S + 0.6, later_s)), VEHICLE)
    assert "contactor.dropout" in _alarms(found)
