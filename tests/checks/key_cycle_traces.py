"""Simulated key cycles as a logger keeps them: the exact circuit of `logscope.simulate`, sampled, noisy, rounded.

Driving is laid over the solved circuit: a current drawn while the contactor is closed, that sags pack and link by the
resistances of the circuit. Everything here is invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.signals import Part, Signals
from logscope.simulate.circuits import HighVoltage, Solution
from logscope.simulate.key_cycles import play
from logscope.simulate.scenarios import KeyCycle
from logscope.simulate.truth import TruthEvent

FLAG_NAMES = ("precharge_relay", "main_contactor", "negative_contactor")


@dataclass(frozen=True)
class Logging:
    """How it is logged. Periods [s] of link, pack and states; `lag_s` is the most by which states come late."""

    period_s: float = 0.02
    pack_period_s: float = 0.1
    flag_period_s: float = 0.1
    step_v: float = 0.5
    noise_v: float = 0.2
    lag_s: float = 0.05
    flags: tuple[str, ...] = FLAG_NAMES
    pack: bool = True
    current: bool = True


@dataclass(frozen=True, eq=False)
class Played:
    """The parts of a played log, and its truth."""

    signals: Signals
    truth: tuple[TruthEvent, ...]

    def truths(self, kind: str) -> list[TruthEvent]:
        return [event for event in self.truth if event.kind == kind]


def hazel(**changes: float) -> HighVoltage:
    """A circuit like Hazel's."""
    fitted = {"open_circuit_V": 331.0, "resistance_ohm": 150.0, "capacitance_F": 1e-3, "bleeder_ohm": 47e3}
    return HighVoltage(**{**fitted, **changes})


def play_log(seed: int, cycles: tuple[KeyCycle, ...], end_s: float, circuit: HighVoltage, logging: Logging) -> Played:
    """Play key cycles with a random drive in each and log them."""
    rng = np.random.default_rng([seed, 77])
    story = play(circuit, cycles, end_s)
    load = _driving(rng, story.closed)
    parts = voltages(rng, story.solution, load, end_s, logging)
    closed = {
        "precharge_relay": [
            (s.start_s, e) for s, e in zip(story.stages, _ends(story.stages, end_s), strict=True) if s.relay
        ],
        "main_contactor": list(story.closed),
        "negative_contactor": [(c.relay_s - 0.2, min(c.off_s + 0.1, end_s)) for c in cycles],
    }
    for name in logging.flags:
        parts[name] = state(rng, name, closed[name], end_s, logging)
    return Played(Signals(parts, 0.0, end_s), story.truth)


def _ends(stages, end_s: float) -> list[float]:  # type: ignore[no-untyped-def]
    return [*(stage.start_s for stage in stages[1:]), end_s]


Load = tuple[FloatArray, FloatArray]  # corners: times [s], current [A]


def _driving(rng: np.random.Generator, closed: tuple[tuple[float, float], ...]) -> Load:
    """Presses of the pedal that end half a second before the contactor opens."""
    times, amps = [0.0], [0.0]
    for begin_s, end_s in closed:
        now = begin_s + 0.6
        while now < end_s - 1.5:
            up, hold = rng.uniform(0.05, 0.5), rng.uniform(0.1, 2.0)
            if now + up + hold + 0.2 > end_s - 0.5:
                break
            level = rng.uniform(-80, 300)
            times += [now, now + up, now + up + hold, now + up + hold + 0.1]
            amps += [0.0, level, level, 0.0]
            now += up + hold + 0.1 + rng.uniform(0.01, 1.0)
    return np.array(times), np.array(amps)


def voltages(
    rng: np.random.Generator, solution: Solution, load: Load, end_s: float, logging: Logging
) -> dict[str, Part]:
    """Link and pack voltage and pack current as parts."""
    circuit = solution.circuit

    def quantity(name: str, unit: str, period_s: float, true: object, noise: float, step: float) -> Part:
        taken, stamped = instants(rng, period_s, end_s)
        value = np.round((true(taken) + rng.normal(0, noise, taken.size)) / step) * step  # type: ignore[operator]
        return Part(name, stamped, value, unit, f"Test.{name}", step)

    def drawn(t: FloatArray) -> FloatArray:
        return np.interp(t, *load)

    sag = circuit.pack_ohm + circuit.loop_ohm
    parts = {
        "dc_link_voltage": quantity(
            "dc_link_voltage", "V", logging.period_s,
            lambda t: solution.sample(t).sensed_V - sag * drawn(t), logging.noise_v, logging.step_v,
        )
    }  # fmt: skip
    if logging.pack:
        parts["battery_voltage"] = quantity(
            "battery_voltage", "V", logging.pack_period_s,
            lambda t: solution.sample(t).terminal_V - circuit.pack_ohm * drawn(t), logging.noise_v, logging.step_v,
        )  # fmt: skip
    if logging.current:
        parts["battery_current"] = quantity(
            "battery_current", "A", logging.pack_period_s, lambda t: solution.sample(t).pack_A + drawn(t), 0.3, 0.1
        )
    return parts


def state(
    rng: np.random.Generator, name: str, closed: list[tuple[float, float]], end_s: float, logging: Logging
) -> Part:
    """A state that is on in the given stretches and reaches the log late."""
    taken, stamped = instants(rng, logging.flag_period_s, end_s)
    lag = rng.uniform(0, logging.lag_s)
    on = np.zeros(taken.size, dtype=bool)
    for begin_s, until_s in closed:
        on |= (taken >= begin_s + lag) & (taken < (until_s + lag if until_s < end_s else np.inf))
    return Part(name, stamped, on.astype(float), "", f"Test.{name}", 1.0, on=on)


def instants(rng: np.random.Generator, period_s: float, end_s: float) -> tuple[FloatArray, FloatArray]:
    """When samples are taken and when they are stamped: up to a tenth of a period, at most 1 ms, later."""
    taken = np.arange(rng.uniform(0, period_s), end_s, period_s)
    return taken, taken + rng.uniform(0, min(0.1 * period_s, 1e-3), taken.size)


def changed(signals: Signals, parts: Mapping[str, Part]) -> Signals:
    """The same with other parts in place."""
    return Signals({**signals.parts, **parts}, signals.start_s, signals.end_s)
