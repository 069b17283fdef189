"""How well the precharge check does on simulated precharges with known truth.

    python tests/diagnosis/precharge_score.py 200

draws that many precharges of each kind (pack, R, C, sampling 5 to 100 ms, quantisation 0.1 to 1 V and
start voltage at random) and prints how the check judged them, how often its 95 % limits hold the true
constant, and its error beside that of a plain one-exponential least-squares fit.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import OptimizeWarning, curve_fit

from logscope.checks.precharge.check import precharge
from logscope.findings import Finding, NothingToCheck
from logscope.signals import Part, Signals
from logscope.simulate.precharge_cases import PrechargeCase, random_precharge
from logscope.vehicle import Precharge, Vehicle

RATIOS = {"slow": 1.6, "fast": 0.5}  # true RC over the nominal one; 1 for the other kinds


@dataclass
class Score:
    """kinds : how often each outcome was found; held : whether the limits hold the truth; errors : relative."""

    kinds: Counter[str] = field(default_factory=Counter)
    held: list[bool] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)
    plain_errors: list[float] = field(default_factory=list)
    wrong_claims: int = 0


def signals_of(case: PrechargeCase, *, flags: bool = True, pack: bool = True) -> Signals:
    """The case as the check gets to see it."""
    step = _step(case.voltage_V)
    parts = {"dc_link_voltage": Part("dc_link_voltage", case.time_s, case.voltage_V, "V", "Link.Voltage", step)}
    if pack:
        parts["battery_voltage"] = Part(
            "battery_voltage", case.battery_time_s, case.battery_V, "V", "Pack.Voltage", _step(case.battery_V)
        )
    if flags:
        for name, time_s, on in (
            ("precharge_relay", case.relay_time_s, case.relay_on),
            ("main_contactor", case.contactor_time_s, case.contactor_on),
        ):
            parts[name] = Part(name, time_s, on.astype(float), "", f"Junction.{name}", 1.0, on=on)
    return Signals(parts, 0.0, float(case.time_s[-1]))


def _step(volts: np.ndarray) -> float:
    levels = np.unique(volts)
    return float(np.diff(levels).min()) if levels.size > 2 else 1.0


def vehicle_of(case: PrechargeCase) -> Vehicle:
    """R and C as its owner would state them."""
    truth = case.truth
    told = Precharge(resistance_ohm=truth.nominal_resistance_ohm, capacitance_uF=truth.nominal_capacitance_uF)
    return Vehicle(precharge=told)


def judged(case: PrechargeCase, *, flags: bool = True, pack: bool = True) -> list[Finding]:
    """The findings of the check."""
    try:
        return precharge(signals_of(case, flags=flags, pack=pack), vehicle_of(case))
    except NothingToCheck:
        return []


def score(kind: str, seeds: range, *, flags: bool = True, pack: bool = True) -> Score:
    """Run the check over many cases of one kind."""
    total = Score()
    for seed in seeds:
        case = random_precharge(seed, kind=kind, rc_ratio=RATIOS.get(kind, 1.0))
        findings = judged(case, flags=flags, pack=pack)
        outcome = "+".join(f.kind.removeprefix("precharge.") for f in findings) or "nothing"
        total.kinds[outcome] += 1
        truth = case.truth.time_constant_s
        off = truth / case.truth.nominal_time_constant_s
        total.wrong_claims += any(
            (f.kind == "precharge.slow" and off <= 1.2) or (f.kind == "precharge.fast" and off >= 0.8) for f in findings
        )
        constant = findings[0].measured.get("time_constant_s") if findings else None
        if constant is not None and constant.value is not None:
            assert constant.low is not None
            assert constant.high is not None
            total.held.append(constant.low <= truth <= constant.high)
            total.errors.append(constant.value / truth - 1)
            plain = _plain_fit(case)
            if plain is not None:
                total.plain_errors.append(plain / truth - 1)
    return total


def _plain_fit(case: PrechargeCase) -> float | None:
    """What a notebook would do: one exponential through everything from the relay's closing on."""
    after = case.time_s >= case.truth.start_s
    t, v = case.time_s[after], case.voltage_V[after]
    try:
        fitted, _ = curve_fit(
            lambda x, v0, v1, tau: v1 - (v1 - v0) * np.exp(-(x - t[0]) / tau), t, v, p0=[v[0], v[-1], 0.15], maxfev=2000
        )
    except (RuntimeError, OptimizeWarning, TypeError, IndexError):
        return None
    return float(fitted[2])


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    print(f"{count} seeds a row; constants: 95 % limits hold the truth / median |error|, plain fit beside it")
    for told, flags, pack in (("relay, contactor and pack voltage", True, True), ("link voltage alone", False, False)):
        print(f"\nlogged: {told}")
        for kind in ("complete", "slow", "fast", "parallel_load", "stalled", "interrupted", "closed_early", "bypassed"):
            s = score(kind, range(count), flags=flags, pack=pack)
            held = f"{100 * np.mean(s.held):5.1f} % of {len(s.held)}" if s.held else "-"
            error = f"{100 * np.median(np.abs(s.errors)):.2f} %" if s.errors else "-"
            plain = f"{100 * np.median(np.abs(s.plain_errors)):.2f} %" if s.plain_errors else "-"
            outcomes = ", ".join(f"{name} {n}" for name, n in s.kinds.most_common())
            print(f"{kind:14s} {held:16s} {error:8s} {plain:8s} wrong slow/fast {s.wrong_claims}  {outcomes}")


if __name__ == "__main__":
    main()
