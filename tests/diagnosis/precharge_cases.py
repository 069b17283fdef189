"""Random precharges as a logger would see them, each with the truth that made it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, log

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.simulate.circuits import HighVoltage, Solution, Stage, resting_point, solve

KINDS = (
    "complete", "slow", "fast", "stalled", "no_rise", "interrupted", "closed_early", "bypassed",
    "parallel_load",
)  # fmt: skip

# What conversions are built with; drawn log-uniformly where a range spans a decade.
_PACK_V = (90.0, 450.0)
_RESISTANCE_OHM = (20.0, 500.0)
_CAPACITANCE_UF = (200.0, 3000.0)
_TIME_CONSTANT_S = (0.03, 1.0)
_TIMEOUT_S = 3.0  # the shortest; a slow circuit is given eight of its nominal time constants
_OPEN_OHM = 1e9
_BRIDGED_OHM = 0.05


@dataclass(frozen=True, slots=True)
class PrechargeTruth:
    """What really happened. Times on the clock of the samples; None for what never happened.

    resistance_ohm, capacitance_uF : as they truly are; nominal_… : as the vehicle file would state them
    time_constant_s : of the link while it charges, (R∥Rp)·C with the pack's resistance in R and bleeder
        and parallel load in Rp; that of R·C where nothing charges (no_rise, bypassed)
    start_s : the precharge relay closes; relay_open_s : it opens; close_s : the contactor closes
    start_V, close_V : link voltage at these moments; end_V : where the charging curve would settle
    lag_s : low-pass between the link and the logged voltage
    """

    kind: str
    pack_V: float
    resistance_ohm: float
    capacitance_uF: float
    time_constant_s: float
    start_s: float
    close_s: float | None
    start_V: float
    lag_s: float
    relay_open_s: float
    close_V: float | None
    end_V: float
    parallel_ohm: float
    nominal_resistance_ohm: float
    nominal_capacitance_uF: float

    @property
    def nominal_time_constant_s(self) -> float:
        """R·C as the vehicle file would state them [s]."""
        return self.nominal_resistance_ohm * self.nominal_capacitance_uF * 1e-6


@dataclass(frozen=True, slots=True)
class Recording:
    """How the link voltage was recorded.

    period_s : sample period; quantum_V : rounding step, 0 if none; noise_V : standard deviation before rounding
    jitter_s : the stamps are late by up to this, uniformly
    """

    period_s: float
    quantum_V: float
    noise_V: float
    jitter_s: float


@dataclass(frozen=True, slots=True, eq=False)
class PrechargeCase:
    """The samples of one precharge: times [s] and values of link, pack, relay and contactor."""

    time_s: FloatArray
    voltage_V: FloatArray
    battery_time_s: FloatArray
    battery_V: FloatArray
    relay_time_s: FloatArray
    relay_on: BoolArray
    contactor_time_s: FloatArray
    contactor_on: BoolArray
    truth: PrechargeTruth
    recording: Recording


def random_precharge(
    seed: int,
    *,
    sampling_s: float | None = None,
    quantum_V: float | None = None,
    lag_s: float = 0.0,
    noise_V: float | None = None,
    rc_ratio: float = 1.0,
    kind: str = "complete",
) -> PrechargeCase:
    """One precharge with everything that is not given drawn at random; the same seed, the same case.

    sampling_s : sample period of the link voltage (5–100 ms); quantum_V : its step (0.1–1 V)
    noise_V : standard deviation before quantising (0.05–0.5 V)
    rc_ratio : true R·C over the nominal one; drawn for `slow` (1.35–2.5) and `fast` (0.3–0.7) when left at 1
    kind : one of `KINDS`

    >>> random_precharge(1, kind="interrupted").truth.close_s is None
    True
    """
    return _logged(play_precharge(seed, lag_s=lag_s, rc_ratio=rc_ratio, kind=kind), sampling_s, quantum_V, noise_V)


@dataclass(frozen=True, slots=True, eq=False)
class PlayedPrecharge:
    """What happened, before anybody logged it: the solved circuit until `end_s`, its truth, and what draws the log."""

    solution: Solution
    truth: PrechargeTruth
    end_s: float
    rng: np.random.Generator


def play_precharge(seed: int, *, lag_s: float = 0.0, rc_ratio: float = 1.0, kind: str = "complete") -> PlayedPrecharge:
    """The precharge that `random_precharge` logs. Raises ValueError for a kind that is none."""
    if kind not in KINDS:
        raise ValueError(f"kind is one of {', '.join(KINDS)}, not {kind!r}")
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    circuit, nominal_ohm, nominal_uF = _draw_circuit(rng, kind, rc_ratio, lag_s)
    start_s = rng.uniform(0.3, 2.0)
    start_V = circuit.open_circuit_V * _draw_start_fraction(rng)
    stages, close_s, relay_open_s = _STORIES[kind](rng, circuit, start_s, start_V)
    end_s = max(relay_open_s, close_s or 0.0) + rng.uniform(1.0, 3.0)
    solution = solve(circuit, (Stage(0.0), *stages), end_s, start_V=start_V)

    rest, tau = resting_point(circuit, stages[0])
    relay_start_V = float(solution.sample(np.array([start_s])).link_V[0])
    if kind in ("no_rise", "bypassed"):
        tau = circuit.resistance_ohm * circuit.capacitance_F
    if kind == "no_rise":
        rest = relay_start_V
    close_V = None if close_s is None else float(solution.sample(np.array([close_s - 1e-9])).link_V[0])
    truth = PrechargeTruth(
        kind, circuit.open_circuit_V, circuit.resistance_ohm, circuit.capacitance_F * 1e6, tau,
        start_s, close_s, relay_start_V, lag_s, relay_open_s, close_V, rest,
        stages[0].parallel_ohm, nominal_ohm, nominal_uF,
    )  # fmt: skip
    return PlayedPrecharge(solution, truth, end_s, rng)


def _draw_circuit(
    rng: np.random.Generator, kind: str, rc_ratio: float, lag_s: float
) -> tuple[HighVoltage, float, float]:
    """The circuit as it is, and the nominal resistance [ohm] and capacitance [µF]."""
    while True:
        ohm, uF = _log_uniform(rng, *_RESISTANCE_OHM), _log_uniform(rng, *_CAPACITANCE_UF)
        if _TIME_CONSTANT_S[0] <= ohm * uF * 1e-6 <= _TIME_CONSTANT_S[1]:
            break
    if rc_ratio == 1.0 and kind == "slow":
        rc_ratio = rng.uniform(1.35, 2.5)
    elif rc_ratio == 1.0 and kind == "fast":
        rc_ratio = rng.uniform(0.3, 0.7)
    by_resistor = rng.random() < 0.5  # the resistor is off, or what hangs on the link is
    circuit = HighVoltage(
        open_circuit_V=rng.uniform(*_PACK_V),
        resistance_ohm=ohm * (rc_ratio if by_resistor else 1.0),
        capacitance_F=uF * 1e-6 * (1.0 if by_resistor else rc_ratio),
        pack_ohm=rng.uniform(0.03, 0.15),
        loop_ohm=rng.uniform(0.01, 0.05),
        bleeder_ohm=inf if rng.random() < 0.3 else ohm * rng.uniform(300.0, 3000.0),
        lag_s=lag_s,
    )
    return circuit, ohm, uF


def _draw_start_fraction(rng: np.random.Generator) -> float:
    """Mostly a link that has bled down, sometimes a hot restart."""
    return float(rng.uniform(0.0, 0.02) if rng.random() < 0.7 else rng.uniform(0.02, 0.6))


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(log(low), log(high))))


# A story is the stages from the relay's closing, when the contactor closes, and when the relay opens.
_Story = tuple[Sequence[Stage], float | None, float]


def _closes_at(rng: np.random.Generator, stage: Stage, close_s: float) -> _Story:
    """The contactor closes; the relay opens a little later, and the loads stay."""
    open_s = close_s + rng.uniform(0.05, 1.0)
    closed = replace(stage, start_s=close_s, contactor=True)
    return (stage, closed, replace(closed, start_s=open_s, relay=False)), close_s, open_s


def _opens_at(stage: Stage, open_s: float) -> _Story:
    return (stage, replace(stage, start_s=open_s, relay=False)), None, open_s


def _time_to(circuit: HighVoltage, stage: Stage, start_V: float, volts: float) -> float:
    """From the relay's closing until the link is at `volts` [s]: tau·ln((V∞−V0)/(V∞−v))."""
    rest, tau = resting_point(circuit, stage)
    return tau * log((rest - start_V) / (rest - volts)) if start_V < volts else 0.0


def _full(rng: np.random.Generator, circuit: HighVoltage, start_s: float, start_V: float) -> _Story:
    """Closes at 95.5–99 % of the pack or a little after, or after a fixed time."""
    return _full_with(rng, circuit, Stage(start_s, relay=True), start_V)


def _full_with(rng: np.random.Generator, circuit: HighVoltage, stage: Stage, start_V: float) -> _Story:
    rest, tau = resting_point(circuit, stage)
    if rng.random() < 0.25:
        return _closes_at(rng, stage, stage.start_s + tau * rng.uniform(4.0, 6.0))
    fraction = min(rng.uniform(0.955, 0.99), rest / circuit.open_circuit_V - 0.002)
    reached = _time_to(circuit, stage, start_V, fraction * circuit.open_circuit_V)
    return _closes_at(rng, stage, stage.start_s + reached + rng.uniform(0.0, 0.1))


def _light_load(rng: np.random.Generator, circuit: HighVoltage, start_s: float, start_V: float) -> _Story:
    """A load across the link that still lets it reach 97.5–99.2 % of the pack."""
    share = rng.uniform(0.975, 0.992)
    stage = Stage(start_s, relay=True, parallel_ohm=circuit.resistance_ohm * share / (1.0 - share))
    return _full_with(rng, circuit, stage, start_V)


def _timeout_s(circuit: HighVoltage) -> float:
    return max(_TIMEOUT_S, 8.0 * circuit.resistance_ohm * circuit.capacitance_F)


def _stalled(rng: np.random.Generator, circuit: HighVoltage, start_s: float, start_V: float) -> _Story:
    """A load across the link holds it at 40–88 % of the pack; given up at the time out."""
    share = rng.uniform(max(0.4, start_V / circuit.open_circuit_V + 0.1), 0.88)
    stage = Stage(start_s, relay=True, parallel_ohm=circuit.resistance_ohm * share / (1.0 - share))
    return _opens_at(stage, start_s + _timeout_s(circuit))


def _no_rise(rng: np.random.Generator, circuit: HighVoltage, start_s: float, start_V: float) -> _Story:
    """The resistor is open."""
    return _opens_at(Stage(start_s, relay=True, resistance_ohm=_OPEN_OHM), start_s + _timeout_s(circuit))


def _partial_s(
    rng: np.random.Generator, circuit: HighVoltage, stage: Stage, start_V: float, low: float, high: float
) -> float:
    """When the link is at a drawn fraction of the pack between `low` and `high`, above where it began [s]."""
    fraction = rng.uniform(max(low, start_V / circuit.open_circuit_V + 0.1), high)
    return stage.start_s + _time_to(circuit, stage, start_V, fraction * circuit.open_circuit_V)


def _interrupted(rng: np.random.Generator, circuit: HighVoltage, start_s: float, start_V: float) -> _Story:
    """The relay drops out at 20–85 % of the pack."""
    stage = Stage(start_s, relay=True)
    return _opens_at(stage, _partial_s(rng, circuit, stage, start_V, 0.2, 0.85))


def _closed_early(rng: np.random.Generator, circuit: HighVoltage, start_s: float, start_V: float) -> _Story:
    """The contactor closes at 30–88 % of the pack."""
    stage = Stage(start_s, relay=True)
    return _closes_at(rng, stage, _partial_s(rng, circuit, stage, start_V, 0.3, 0.88))


def _bypassed(rng: np.random.Generator, circuit: HighVoltage, start_s: float, start_V: float) -> _Story:
    """The resistor is bridged: the link steps to the pack's voltage with the relay."""
    stage = Stage(start_s, relay=True, resistance_ohm=_BRIDGED_OHM)
    return _closes_at(rng, stage, start_s + rng.uniform(0.2, 1.5))


_STORIES = {
    "complete": _full, "slow": _full, "fast": _full, "stalled": _stalled, "no_rise": _no_rise,
    "interrupted": _interrupted, "closed_early": _closed_early, "bypassed": _bypassed,
    "parallel_load": _light_load,
}  # fmt: skip


def _logged(
    played: PlayedPrecharge, sampling_s: float | None, quantum_V: float | None, noise_V: float | None
) -> PrechargeCase:
    """What the logger keeps: each part on its own period, stamped late, noisy and quantised."""
    rng, solution, truth, end_s = played.rng, played.solution, played.truth, played.end_s
    period_s = sampling_s or _log_uniform(rng, 0.005, 0.1)
    quantum_V = _log_uniform(rng, 0.1, 1.0) if quantum_V is None else quantum_V
    noise_V = _log_uniform(rng, 0.05, 0.5) if noise_V is None else noise_V

    def voltage(values: FloatArray) -> FloatArray:
        noisy = np.clip(values + rng.normal(0.0, noise_V, values.size), 0.0, None)
        return np.round(noisy / quantum_V) * quantum_V if quantum_V > 0 else noisy

    def flag(on_s: float | None, off_s: float) -> tuple[FloatArray, BoolArray]:
        taken, stamped = _instants(rng, _log_uniform(rng, 0.01, 0.1), end_s)
        if on_s is None:
            return stamped, np.zeros(taken.size, dtype=np.bool_)
        lag_s = rng.uniform(0.0, 0.05)  # the state passes through the controller's own cycle
        return stamped, (taken >= on_s + lag_s) & (taken < off_s + lag_s)

    taken, stamped = _instants(rng, period_s, end_s)
    link = voltage(solution.sample(taken).sensed_V)
    pack_taken, pack_stamped = _instants(rng, _log_uniform(rng, 0.01, 0.1), end_s)
    pack = voltage(solution.sample(pack_taken).terminal_V)
    awake_s = rng.uniform(0.0, truth.start_s) if rng.random() < 0.3 else 0.0
    pack[pack_taken < awake_s] = 0.0  # its controller has not woken
    relay = flag(truth.start_s, truth.relay_open_s)
    contactor = flag(truth.close_s, inf)
    recording = Recording(period_s, quantum_V, noise_V, _jitter_s(period_s))
    return PrechargeCase(stamped, link, pack_stamped, pack, *relay, *contactor, truth, recording)


def _instants(rng: np.random.Generator, period_s: float, end_s: float) -> tuple[FloatArray, FloatArray]:
    """When samples are taken, and when they are stamped: up to a tenth of a period, at most 1 ms, later."""
    taken = np.arange(rng.uniform(0.0, period_s), end_s, period_s)
    return taken, taken + rng.uniform(0.0, _jitter_s(period_s), taken.size)


def _jitter_s(period_s: float) -> float:
    return min(0.1 * period_s, 1e-3)
