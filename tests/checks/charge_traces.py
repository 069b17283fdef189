"""Made charging sessions: a capacitor behind a resistance, charged with constant current, then constant voltage.

Closed form, own invention: I = I₀ until OCV + I·R = V, then I₀·exp(−t/RC).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from one_check import findings_of

from logscope.arrays import FloatArray
from logscope.checks.charging.check import charging
from logscope.findings import Finding
from logscope.signals import Part, Signals
from logscope.vehicle import Charging, Limits, Vehicle

CELLS = 82
VEHICLE = Vehicle(
    limits=Limits(battery_max_V=340.0, cell_max_V=4.2, charge_current_A=32.0, battery_temperature_max_C=55.0),
    charging=Charging(charger_max_V=400.0, charger_max_current_A=32.0, end_current_A=5.0),
)


@dataclass(frozen=True)
class Made:
    """A session. All times in s from the log's start; the request is there before the current."""

    held_a: float = 20.0
    held_v: float = 333.0
    ohm: float = 0.1
    farad: float = 4000.0
    begins_s: float = 20.0
    constant_s: float = 120.0
    ends_s: float = 700.0
    log_s: float = 760.0
    period_s: float = 0.1
    noise_a: float = 0.1
    noise_v: float = 0.15
    step: float = 0.1
    load_a: float = 0.0
    asked_a: float | None = None
    asked_v: float | None = None
    request_ends_s: float | None = None
    request_silent_s: float | None = None
    supply_ends_s: float | None = None
    plug_out_s: float | None = None
    volt_scale: float = 1.0
    amp_scale: float = 1.0
    amp_offset: float = 0.0
    seed: int = 0
    without: tuple[str, ...] = field(default=())

    @property
    def time_constant_s(self) -> float:
        """Of the taper [s]."""
        return self.ohm * self.farad

    def into(self, t: FloatArray) -> FloatArray:
        """Current into the battery [A]."""
        flat_s = self.begins_s + self.constant_s
        amps = np.where(t < flat_s, self.held_a, self.held_a * np.exp(-(t - flat_s) / self.time_constant_s))
        return np.where((t >= self.begins_s) & (t <= self.ends_s), amps, 0.0)

    def terminal(self, t: FloatArray) -> FloatArray:
        """Voltage at the terminals [V]."""
        flat_s = self.begins_s + self.constant_s
        empty_v = self.held_v - self.held_a * self.ohm - self.held_a * self.constant_s / self.farad
        within = np.clip(t - self.begins_s, 0.0, self.constant_s)
        tapered = np.clip(t, flat_s, max(self.ends_s, flat_s)) - flat_s
        charged = self.held_a * within + np.where(
            t > flat_s, self.held_a * self.time_constant_s * -np.expm1(-tapered / self.time_constant_s), 0.0
        )
        return np.asarray(empty_v + charged / self.farad + self.into(t) * self.ohm)

    def signals(self) -> Signals:
        """What is logged of it."""
        rng = np.random.default_rng([self.seed, 61])
        parts: list[Part] = []

        def add(name: str, t: FloatArray, value: FloatArray, step: float, unit: str, **more: object) -> None:
            rounded = np.round(value / step) * step if step else value
            parts.append(Part(name, t, rounded, unit, f"Made.{name}", step=step or None, **more))  # type: ignore[arg-type]

        def at(period_s: float, end_s: float | None = None) -> FloatArray:
            return np.arange(rng.uniform(0.0, period_s), end_s or self.log_s, period_s)

        t = at(self.period_s)
        amps = np.where(self.into(t) > 0, self.into(t) + self.load_a, 0.0) * self.amp_scale + self.amp_offset
        add("charger_current", t, np.maximum(amps + rng.normal(0, self.noise_a, t.size), 0.0), self.step, "A")
        volts = self.terminal(t)
        add("charger_voltage", t, volts * self.volt_scale + rng.normal(0, self.noise_v, t.size), self.step, "V")
        b = at(self.period_s)
        add("battery_voltage", b, self.terminal(b) + rng.normal(0, self.noise_v, b.size), self.step, "V")
        add("battery_current", b, -self.into(b) + rng.normal(0, 3 * self.noise_a, b.size), self.step, "A")
        r = at(0.2, self.request_silent_s)
        asks = (r < (self.request_ends_s or self.ends_s + 1.0)).astype(float)
        add("charger_current_target", r, asks * (self.asked_a or self.held_a + self.load_a), 0.1, "A")
        add("charger_voltage_target", r, asks * (self.asked_v or self.held_v), 0.1, "V")
        p = at(1.0)
        watts = (self.into(p) + self.load_a * (self.into(p) > 0)) * self.terminal(p) / 0.93 + 15.0
        fed = p < (self.supply_ends_s or np.inf)
        add("charger_input_power", p, np.where(fed, watts + rng.normal(0, 5.0, p.size), 0.0), 10.0, "W")
        c = at(1.0)
        add("cell_voltage_highest", c, self.terminal(c) / CELLS + 0.004, 0.001, "V")
        add("battery_temperature_highest", c, 25.0 + (c / self.log_s) * 2.0, 1.0, "°C")
        plugged = (c > 5.0) & (c < (self.plug_out_s or np.inf))
        add("charge_plug", c, plugged.astype(float), 1.0, "", on=plugged)
        return Signals({each.name: each for each in parts if each.name not in self.without}, 0.0, self.log_s)


def judged(made: Made, vehicle: Vehicle = VEHICLE) -> list[Finding]:
    """All findings of a made session."""
    return findings_of(charging, made.signals(), vehicle)


def only(made: Made, vehicle: Vehicle = VEHICLE) -> Finding:
    """Its one finding."""
    found = judged(made, vehicle)
    assert [finding.kind for finding in found] == [found[0].kind]
    return found[0]
