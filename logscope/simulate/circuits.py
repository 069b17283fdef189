r"""The high-voltage circuit from pack to DC link, solved over the switching of its relays.

        pack_ohm        relay   resistance_ohm
    ┌───/\/\/──┬────────/ ────────/\/\/────────┬──────┬────────┬─────────┐
    │          └────────/ ───loop_ohm, loop_H──┘      │        │         │
    ─ open_circuit_V    contactor                 capacitance bleeder  loads
    └─────────────────────────────────────────────────┴────────┴─────────┘

Between two switchings the circuit is linear, and its answer is an exact exponential, unless a
constant-power load runs or the loop's inductance is given: those stretches go through
`scipy.integrate.solve_ivp`. What a logger sees is the link voltage behind a first-order low-pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import inf, log

import numpy as np
from scipy.integrate import solve_ivp

from logscope.arrays import FloatArray

_RTOL = 1e-9  # far under the 0.5 % that the circuit is compared to
_ATOL = 1e-9  # V and A


@dataclass(frozen=True, slots=True)
class HighVoltage:
    """What is fitted. `lag_s` is the time constant of the low-pass between link and logged value."""

    open_circuit_V: float
    resistance_ohm: float
    capacitance_F: float
    pack_ohm: float = 0.08
    loop_ohm: float = 0.02
    loop_H: float = 0.0
    bleeder_ohm: float = inf
    lag_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Stage:
    """Switches and loads from `start_s` until the next stage.

    resistance_ohm : what the resistor measures now, where that is not what is fitted
        (`inf`: open, near 0: bridged)
    parallel_ohm : resistive load across the link, beside the bleeder
    power_W : constant-power load that starts above `cut_in_V` and stops below `cut_out_V`
    """

    start_s: float
    relay: bool = False
    contactor: bool = False
    resistance_ohm: float | None = None
    parallel_ohm: float = inf
    power_W: float = 0.0
    cut_in_V: float = 0.0
    cut_out_V: float = 0.0

    def __post_init__(self) -> None:
        if self.power_W > 0 and not 0 < self.cut_out_V < self.cut_in_V:
            raise ValueError("a constant-power load needs 0 < cut_out_V < cut_in_V")


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """The circuit at given times, arrays of equal length: voltages [V], pack current [A]."""

    time_s: FloatArray
    link_V: FloatArray
    sensed_V: FloatArray
    pack_A: FloatArray
    terminal_V: FloatArray


# State while solving: link voltage, sensed voltage, current in the loop's inductance (0 without one).
_State = tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """A stretch with one smooth answer; `at` maps seconds since `start_s` to the states, shape (3, n)."""

    start_s: float
    end_s: float
    stage: Stage
    at: Callable[[FloatArray], FloatArray]

    @property
    def last(self) -> _State:
        link, sensed, loop = self.at(np.array([self.end_s - self.start_s]))[:, 0]
        return float(link), float(sensed), float(loop)


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """The answer of the circuit from the first stage to `end_s`."""

    circuit: HighVoltage
    pieces: tuple[_Piece, ...]

    def sample(self, time_s: FloatArray) -> Trace:
        """The circuit at each time; before the first stage it rests in its first state."""
        states = np.empty((3, time_s.size))
        pack = np.zeros(time_s.size)
        starts = np.array([piece.start_s for piece in self.pieces])
        index = np.clip(np.searchsorted(starts, time_s, side="right") - 1, 0, None)
        for number in np.unique(index):
            piece, rows = self.pieces[number], index == number
            states[:, rows] = piece.at(np.clip(time_s[rows] - piece.start_s, 0.0, None))
            pack[rows] = _pack_current(self.circuit, piece.stage, states[:, rows])
        terminal = self.circuit.open_circuit_V - pack * self.circuit.pack_ohm
        return Trace(time_s, states[0], states[1], pack, terminal)

    def crossing(self, volts: float, after_s: float = -inf) -> float | None:
        """When the link first rises to `volts` [s], to a microsecond; None if it never does."""
        for piece in self.pieces:
            begin, end = max(piece.start_s, after_s), piece.end_s
            if end <= begin:
                continue
            grid = np.linspace(begin, end, 400) - piece.start_s
            reached = np.flatnonzero(piece.at(grid)[0] >= volts)
            if reached.size:
                first = int(reached[0])
                low, high = grid[max(first - 1, 0)], grid[first]
                while high - low > 1e-6:
                    middle = (low + high) / 2
                    above = piece.at(np.array([middle]))[0, 0] >= volts
                    low, high = (low, middle) if above else (middle, high)
                return float(high + piece.start_s)
        return None


def solve(
    circuit: HighVoltage,
    stages: Sequence[Stage],
    end_s: float,
    *,
    start_V: float = 0.0,
    sensed_V: float | None = None,
) -> Solution:
    """Solve the circuit through its stages, in the order of their `start_s`, until `end_s` [s].

    start_V : link voltage at the first stage; sensed_V : what the sensing shows there, the same if not given
    """
    pieces: list[_Piece] = []
    state: _State = (start_V, start_V if sensed_V is None else sensed_V, 0.0)
    ends = [*(stage.start_s for stage in stages[1:]), end_s]
    for stage, until_s in zip(stages, ends, strict=True):
        for piece in _pieces(circuit, stage, until_s, state):
            pieces.append(piece)
            state = piece.last
        if not stage.contactor:
            state = (state[0], state[1], 0.0)
    return Solution(circuit, tuple(pieces))


def series_ohm(circuit: HighVoltage, stage: Stage) -> float:
    """Resistance from the pack's open-circuit voltage to the link [ohm], `inf` where nothing is closed.

    A closed contactor carries all of it: the resistor beside it has thousands of times its resistance.
    """
    if stage.contactor:
        return circuit.pack_ohm + circuit.loop_ohm
    if stage.relay:
        fitted = circuit.resistance_ohm if stage.resistance_ohm is None else stage.resistance_ohm
        return circuit.pack_ohm + fitted
    return inf


def resting_point(circuit: HighVoltage, stage: Stage) -> tuple[float, float]:
    """Where the link settles without a constant-power load [V], and its time constant [s].

    Thévenin of source and parallel load: V·Rp/(R+Rp), (R∥Rp)·C.
    """
    source = 1.0 / series_ohm(circuit, stage)
    total = source + 1.0 / circuit.bleeder_ohm + 1.0 / stage.parallel_ohm
    if total == 0.0:
        return 0.0, inf
    return circuit.open_circuit_V * source / total, circuit.capacitance_F / total


def _pack_current(circuit: HighVoltage, stage: Stage, states: FloatArray) -> FloatArray:
    link, _, loop = states
    through: FloatArray = loop
    if not (stage.contactor and circuit.loop_H > 0):
        through = (circuit.open_circuit_V - link) / series_ohm(circuit, stage)
    return through


def _pieces(circuit: HighVoltage, stage: Stage, end_s: float, state: _State) -> Iterator[_Piece]:
    """The smooth stretches of one stage: a constant-power load switches on and off by itself."""
    begin, running = stage.start_s, stage.power_W > 0 and state[0] >= stage.cut_in_V
    while begin < end_s:
        if running or (stage.contactor and circuit.loop_H > 0):
            piece = _by_integration(circuit, stage, begin, end_s, state, running)
        else:
            piece = _exact(circuit, stage, begin, end_s, state)
        yield piece
        state, begin, running = piece.last, piece.end_s, not running


def _exact(circuit: HighVoltage, stage: Stage, begin_s: float, end_s: float, state: _State) -> _Piece:
    """One exponential, until the end or until the constant-power load cuts in."""
    rest, tau = resting_point(circuit, stage)
    link, sensed, _ = state
    rest = link if tau == inf else rest
    if stage.power_W > 0 and link < stage.cut_in_V < rest:
        end_s = min(end_s, begin_s + tau * log((rest - link) / (rest - stage.cut_in_V)))
    lag, gap = circuit.lag_s, link - rest

    def at(t: FloatArray) -> FloatArray:
        decay = np.exp(-t / tau)
        volts = rest + gap * decay
        if lag == 0.0:
            return np.stack((volts, volts, np.zeros_like(t)))
        if tau == inf:
            through = np.zeros_like(t)
        elif abs(lag / tau - 1.0) < 1e-6:  # two equal time constants: the limit of the line below
            through = gap * t / tau * decay
        else:
            through = gap * (decay - np.exp(-t / lag)) / (1.0 - lag / tau)
        return np.stack((volts, rest + (sensed - rest) * np.exp(-t / lag) + through, np.zeros_like(t)))

    return _Piece(begin_s, end_s, stage, at)


def _by_integration(
    circuit: HighVoltage, stage: Stage, begin_s: float, end_s: float, state: _State, running: bool
) -> _Piece:
    """A stretch with a constant-power load or an inductance, until the load cuts in or out."""
    leak = 1.0 / circuit.bleeder_ohm + 1.0 / stage.parallel_ohm
    series = series_ohm(circuit, stage)
    inductive = stage.contactor and circuit.loop_H > 0
    power = stage.power_W if running else 0.0

    def slope(_: float, x: FloatArray) -> list[float]:
        link, sensed, loop = x
        inflow = loop if inductive else (circuit.open_circuit_V - link) / series
        link_slope = (inflow - leak * link - (power / link if power else 0.0)) / circuit.capacitance_F
        sensed_slope = (link - sensed) / circuit.lag_s if circuit.lag_s else link_slope
        loop_slope = (circuit.open_circuit_V - loop * series - link) / circuit.loop_H if inductive else 0.0
        return [link_slope, sensed_slope, loop_slope]

    def switches(_: float, x: FloatArray) -> float:
        return float(x[0]) - (stage.cut_out_V if running else stage.cut_in_V)

    switches.terminal = True  # type: ignore[attr-defined]
    switches.direction = -1.0 if running else 1.0  # type: ignore[attr-defined]
    answer = solve_ivp(
        slope, (0.0, end_s - begin_s), state, method="LSODA", dense_output=True, rtol=_RTOL, atol=_ATOL,
        events=[switches] if stage.power_W > 0 else None,
    )  # fmt: skip
    stopped = begin_s + float(answer.t[-1]) if answer.status == 1 else end_s
    return _Piece(begin_s, stopped, stage, answer.sol)
