"""States and voltages that are mapped to one another's signals, or turned round.

Oracle: the exact circuit of the simulator, which shares no code with this, and the moments at which it switches.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from key_cycle_traces import Logging, hazel, play_log
from scipy.ndimage import uniform_filter1d

from logscope.plausibility.states import _exchanged, _Rise, state_doubts
from logscope.signals import Part, Signals
from logscope.simulate.scenarios import KeyCycle
from logscope.vehicle import Vehicle

END_S = 26.0
USUAL = Logging(period_s=0.01)
CYCLES = {
    "sound": KeyCycle(2.2, 20.0),
    "slow": KeyCycle(2.2, 20.0, resistance_ohm=270.0, timeout_s=6.0),
    "closed early": KeyCycle(2.2, 20.0, close_fraction=0.4, close_delay_s=0.0),
    "past its resistor": KeyCycle(2.2, 20.0, resistance_ohm=0.05),
    "stalled": KeyCycle(2.2, 20.0, parallel_ohm=600.0),
    "cut off": KeyCycle(2.2, 20.0, drop_out_s=0.15, retries=2),
}


def played(cycle: KeyCycle, logging: Logging = USUAL, seed: int = 1) -> Signals:
    return play_log(seed, (cycle,), END_S, hazel(), logging).signals


def mapped(signals: Signals, **to: Part) -> Signals:
    """The same with other signals mapped to some parts."""
    named = {name: replace(part, name=name) for name, part in to.items()}
    return replace(signals, parts={**signals.parts, **named})


def turned(part: Part) -> Part:
    assert part.on is not None
    return replace(part, value=1.0 - part.value, on=~part.on)


def doubted(signals: Signals) -> list[tuple[str, tuple[str, ...]]]:
    return [(doubt.finding.kind, doubt.doubtful) for doubt in state_doubts(signals, Vehicle())]


@pytest.mark.parametrize("name", ["main_contactor", "negative_contactor"])
@pytest.mark.parametrize("seed", range(3))
def test_a_contactor_that_reads_open_while_driving_is_turned_round(name: str, seed: int) -> None:
    signals = played(CYCLES["sound"], seed=seed)
    assert doubted(mapped(signals, **{name: turned(signals[name])})) == [("mapping.inverted", (name,))]


@pytest.mark.parametrize(("said", "kinds"), [(1.0, ["mapping.inverted"]), (0.0, [])])
def test_a_fault_that_is_set_throughout_a_drive_is_none(said: float, kinds: list[str]) -> None:
    """A trip that comes in the middle of a drive stays one: what was driven before it was driven without a fault."""
    signals = played(CYCLES["sound"])
    time_s = np.arange(0.0, END_S, 0.1)
    fault = Part("fault", time_s, np.full(time_s.size, said), "", "Inverter.Fault")
    assert [kind for kind, _ in doubted(mapped(signals, fault=fault))] == kinds
    tripped = replace(fault, value=np.where(time_s > 12.0, 3.0, 0.0))
    assert doubted(mapped(signals, fault=tripped)) == []


def test_a_brake_that_reads_pressed_throughout_a_drive_is_turned_round() -> None:
    signals = played(CYCLES["sound"])
    time_s = np.arange(0.0, END_S, 0.1)
    pressed = time_s < 4.0
    brake = Part("brake", time_s, pressed.astype(float), "", "Pedals.Brake", on=pressed)
    assert doubted(mapped(signals, brake=brake)) == []
    assert doubted(mapped(signals, brake=turned(brake))) == [("mapping.inverted", ("brake",))]


@pytest.mark.parametrize("name", ["main_contactor", "negative_contactor"])
@pytest.mark.parametrize("seed", range(3))
def test_a_contactor_that_is_the_relay_is_exchanged(name: str, seed: int) -> None:
    """The relay's state goes off as the contactor closes; a drive's current does not flow through it."""
    signals = played(CYCLES["sound"], seed=seed)
    other = mapped(signals, precharge_relay=signals[name], **{name: signals["precharge_relay"]})
    assert doubted(other) == [("mapping.exchanged", (name, "precharge_relay"))]


@pytest.mark.parametrize("driven", [True, False])
@pytest.mark.parametrize("name", ["negative_contactor", "precharge_relay"])
def test_the_contactor_past_the_resistor_is_the_one_that_closes_after_the_rise(name: str, driven: bool) -> None:
    signals = played(CYCLES["sound"], replace(USUAL, current=driven))
    other = mapped(signals, main_contactor=signals[name], **{name: signals["main_contactor"]})
    ((kind, parts),) = doubted(other)
    assert kind == "mapping.exchanged"
    assert set(parts) == {"main_contactor", name}


def test_a_battery_that_charges_through_a_resistor_is_the_link() -> None:
    signals = played(CYCLES["sound"], replace(USUAL, pack_period_s=0.01))
    other = mapped(signals, dc_link_voltage=signals["battery_voltage"], battery_voltage=signals["dc_link_voltage"])
    assert doubted(other) == [("mapping.exchanged", ("dc_link_voltage", "battery_voltage"))]
    behind_contactor = mapped(signals, battery_voltage=signals["dc_link_voltage"])  # it dies with its contactor
    assert doubted(behind_contactor) == []


@pytest.mark.parametrize("way", [USUAL, replace(USUAL, lag_s=0.25), replace(USUAL, flag_period_s=0.2, period_s=0.05)])
@pytest.mark.parametrize("cycle", CYCLES)
def test_what_goes_wrong_in_the_vehicle_is_no_slip_of_the_mapping(cycle: str, way: Logging) -> None:
    for seed in range(3):
        assert doubted(played(CYCLES[cycle], way, seed)) == []


def test_a_link_past_its_resistor_behind_a_slow_sensor_is_no_slip_of_the_mapping() -> None:
    """Averaged over 0.15 s a jump looks gradual; main contactor and relay close together, the negative one before."""
    signals = played(CYCLES["past its resistor"], replace(USUAL, current=False))
    link, relay = signals["dc_link_voltage"], signals["precharge_relay"]
    slow = replace(link, value=uniform_filter1d(link.value, 15))
    assert doubted(mapped(signals, dc_link_voltage=slow, main_contactor=relay)) == []


def test_a_contactor_that_drops_out_under_load_is_none_that_is_turned_round() -> None:
    signals = played(CYCLES["sound"])
    main = signals["main_contactor"]
    assert main.on is not None
    lost = main.on & ~((main.time_s > 8.0) & (main.time_s < 9.5))
    assert doubted(mapped(signals, main_contactor=replace(main, on=lost, value=np.where(lost, 1.0, 0.0)))) == []


def test_a_state_that_is_no_longer_sent_is_none_that_reads_open() -> None:
    signals = played(CYCLES["sound"])
    main = signals["main_contactor"]
    before = main.where(main.time_s < 2.3)
    on = np.concatenate([[True], before.on[1:]])  # it closed once before, in a key cycle that the log begins with
    assert doubted(mapped(signals, main_contactor=replace(before, on=on))) == []


AT = np.arange(0.0, 20.0, 0.1)  # two messages lag by no more than 0.25 s


def closed(name: str, *spans: tuple[float, float]) -> Part:
    at = AT
    on = np.any([(at >= since) & (at < until) for since, until in spans], axis=0)
    return Part(name, AT, on.astype(float), "", f"Made.{name}", on=on)


@pytest.mark.parametrize(
    ("main", "other", "hands_over", "exchanged"),
    [
        # a link that rises from 9 to 11 s and is half way at 10 s
        ((8.5, 18.0), (11.2, 18.0), False, True),
        ((8.5, 18.0), (10.5, 18.0), False, True),
        ((8.5, 18.0), (10.1, 18.0), False, False),  # may have closed before the link was half way
        ((8.5, 18.0), (9.9, 18.0), False, False),
        ((10.5, 18.0), (11.2, 18.0), False, False),  # the main contactor closes past the resistor, as it should
        ((8.5, 18.0), (13.0, 18.0), False, False),  # long after the rise: for another reason
        ((8.5, 18.0), (25.0, 26.0), False, False),
        ((8.5, 11.4), (11.2, 18.0), True, True),  # opens as the other closes: a relay
        ((8.5, 18.0), (11.2, 18.0), True, False),
        ((8.5, 11.4), (11.2, 11.5), True, False),  # neither joins the link then
    ],
)
def test_states_are_exchanged_where_the_other_one_closes_past_the_resistor(
    main: tuple[float, float], other: tuple[float, float], hands_over: bool, exchanged: bool
) -> None:
    rise = _Rise(9.0, 10.0, 11.0)
    found = _exchanged(closed("main_contactor", main), closed("negative_contactor", other), rise, hands_over=hands_over)
    assert found is exchanged
