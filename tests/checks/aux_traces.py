"""Signals of a 12 V side as its circuit gives them, sound or with something wrong. All of it invented."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from one_check import findings_of

from logscope.arrays import FloatArray
from logscope.checks.aux_supply.check import aux_supply
from logscope.findings import Finding, Severity
from logscope.signals import Load, Part, Signals
from logscope.vehicle import Vehicle

STATED = Vehicle.model_validate(
    {"limits": {"aux_min_V": 11.8, "aux_max_V": 15.0}, "aux": {"converter_V": 13.8, "coil_hold_V": 7.5}}
)


@dataclass(frozen=True)
class Made:
    """A minute of a 12 V side: battery and converter on one node, a pump of 10 A every ten seconds.

    on_s, stops_s : the contactor closes, the converter stops; fall_V_per_s : of the battery then
    """

    battery_ohm: float = 0.03
    converter_ohm: float = 0.012
    converter_V: float = 13.8
    on_s: float = 5.0
    stops_s: float = 1e9
    end_s: float = 60.0
    fall_V_per_s: float = 0.0
    period_s: float = 0.1
    state_s: float = 0.1
    step_V: float = 0.01
    noise_V: float = 0.01
    dips: tuple[tuple[float, float], ...] = ()
    dip_V: float = 2.0
    fed: tuple[tuple[float, float], ...] = ()
    left_out: frozenset[str] = field(default_factory=frozenset)

    def signals(self, seed: int) -> Signals:
        """As a logger keeps it: each message with its own phase."""
        rng = np.random.default_rng([seed, 1616])

        def times(period_s: float) -> FloatArray:
            return np.arange(rng.uniform(0, period_s), self.end_s, period_s)

        def within(t: FloatArray, spans: tuple[tuple[float, float], ...]) -> FloatArray:
            return np.any([(t >= a) & (t < b) for a, b in spans], axis=0) if spans else np.zeros(t.size, dtype=bool)

        pump = tuple((at, at + 4.0) for at in np.arange(12.0, self.end_s - 6.0, 10.0))

        def solved(t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
            load = 6.0 + 10.0 * (within(t, pump) | within(t, self.fed)) + 1.0 * (t >= self.on_s)
            runs = (t >= self.on_s) & (t < self.stops_s)
            battery_S = np.where(runs, 4.0, 1 / self.battery_ohm)
            converter_S = np.where(runs, 1 / self.converter_ohm, 0.0)
            open_V = 12.6 - self.fall_V_per_s * np.clip(t - self.stops_s, 0, None)
            volts = (battery_S * open_V + converter_S * self.converter_V - load) / (battery_S + converter_S)
            return volts, battery_S * (open_V - volts), converter_S * (self.converter_V - volts)

        def part(name: str, t: FloatArray, value: FloatArray, unit: str, step: float, noise: float) -> Part:
            read = np.rint((value + rng.normal(0, noise, t.size)) / step) * step if noise else value
            return Part(name, t, read, unit, f"Made.{name}", step=step)

        def state(name: str, t: FloatArray, on: FloatArray) -> Part:
            return Part(name, t, on.astype(float), "", f"Made.{name}", on=on.astype(bool))

        t, i, c, s, p = (times(x) for x in (self.period_s, 0.1, 0.1, self.state_s, 0.1))
        volts = solved(t)[0] - self.dip_V * within(t, self.dips)
        parts = [
            part("aux_voltage", t, volts, "V", self.step_V, self.noise_V),
            part("aux_current", i, solved(i)[1], "A", 0.1, 0.2),
            part("converter_current", c, np.clip(solved(c)[2], 0, None), "A", 0.1, 0.2),
            state("main_contactor", s, s >= self.on_s),
            state("converter_state", s, (s >= self.on_s) & (s < self.stops_s)),
        ]
        load = Load(
            "brake pump",
            state("brake pump", p, within(p, pump)),
            part("brake pump current", p, 10.0 * (within(p, pump) | within(p, self.fed)), "A", 0.1, 0.05),
        )
        kept = {each.name: each for each in parts if each.name not in self.left_out}
        return Signals(kept, 0.0, self.end_s, loads=() if "load" in self.left_out else (load,))


def found(made: Made, seed: int = 7301, vehicle: Vehicle = STATED) -> list[Finding]:
    return findings_of(aux_supply, made.signals(seed), vehicle)


def claims(findings: list[Finding]) -> list[tuple[str, str | None]]:
    return [(f.kind, f.cause) for f in findings if f.severity.rank >= Severity.WARNING.rank]


def only(findings: list[Finding], kind: str) -> Finding:
    (one,) = (f for f in findings if f.kind == kind)
    return one
