"""Heat in the precharge resistor against the integral of its power over the simulated circuit.

Oracle: scipy.integrate.quad of (pack − link)²/R over the exact solution of `logscope.simulate`, which shares no code
with the check. Cooling between attempts: Newton's law; its time constant is common practice, no published source.
"""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from key_cycle_traces import Logging, hazel, state, voltages
from one_check import findings_of
from scipy.integrate import quad

from logscope.checks.precharge.check import precharge
from logscope.checks.precharge.judge import Judged
from logscope.checks.precharge.stress import _carries_until
from logscope.findings import CAUTION_HV, Finding, Severity
from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.rises import Attempt
from logscope.signals import Signals
from logscope.simulate.circuits import Solution, Stage, solve
from logscope.vehicle import Precharge, Vehicle

IDLE = (np.array([0.0]), np.array([0.0]))
HELD = 150.0 * 0.8 / 0.2  # ohm: holds the link at 80 % of the pack behind 150 ohm


def _vehicle(rated_j: float | None = 400.0, ohm: float | None = 150.0) -> Vehicle:
    return Vehicle(precharge=Precharge(resistance_ohm=ohm, capacitance_uF=1000, resistor_energy_J=rated_j))


def _logged(stages: tuple[Stage, ...], end_s: float, seed: int = 1, flags: bool = True) -> tuple[Signals, Solution]:
    logging = Logging(current=False)
    rng = np.random.default_rng([seed, 5])
    solution = solve(hazel(), (Stage(0.0), *stages), end_s)
    parts = voltages(rng, solution, IDLE, end_s, logging)
    ends = [*(stage.start_s for stage in stages[1:]), end_s]
    if flags:
        for name, on in (("precharge_relay", "relay"), ("main_contactor", "contactor")):
            closed = [(s.start_s, e) for s, e in zip(stages, ends, strict=True) if getattr(s, on)]
            parts[name] = state(rng, name, closed, end_s, logging)
    return Signals(parts, 0.0, end_s), solution


def _heat_j(solution: Solution, start_s: float, end_s: float) -> float:
    def power(t: float) -> float:
        at = solution.sample(np.array([t]))
        return float((at.terminal_V[0] - at.link_V[0]) ** 2 / 150.0)

    corners = np.linspace(start_s, end_s, 12)
    return sum(quad(power, a, b, limit=200)[0] for a, b in pairwise(corners))


def _of(findings: list[Finding], kind: str) -> list[Finding]:
    return [finding for finding in findings if finding.kind == f"precharge.{kind}"]


def _attempt(start_s: float, length_s: float, load_ohm: float = np.inf) -> tuple[Stage, Stage]:
    return Stage(start_s, relay=True, parallel_ohm=load_ohm), Stage(start_s + length_s, parallel_ohm=300.0)


@pytest.mark.parametrize("seed", range(3))
def test_a_whole_charge_costs_what_the_capacitor_stores(seed: int) -> None:
    stages = (Stage(2.0, relay=True), Stage(2.8, relay=True, contactor=True), Stage(3.5, contactor=True))
    signals, solution = _logged(stages, 8.0, seed)
    (finding,) = findings_of(precharge, signals, _vehicle())
    energy, peak = finding.measured["resistor_energy_J"], finding.measured["resistor_peak_power_W"]
    assert finding.kind == "precharge.complete"
    assert energy.value == pytest.approx(_heat_j(solution, 2.0, 2.8), rel=0.02)
    assert energy.value == pytest.approx(0.5 * 1e-3 * 331.0**2, rel=0.02)
    assert peak.value == pytest.approx(331.0**2 / 150.0, rel=0.01)
    assert finding.expected["resistor_energy_J"].high == 400.0


@pytest.mark.parametrize("flags", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_what_a_stall_puts_into_the_resistor_is_told(seed: int, flags: bool) -> None:
    signals, solution = _logged(_attempt(2.0, 10.0, HELD), 16.0, seed, flags)
    findings = findings_of(precharge, signals, _vehicle(rated_j=100.0))
    (stalled,) = _of(findings, "stalled")
    (over,) = _of(findings, "resistor_stress")
    true_j = _heat_j(solution, 2.0, 12.0)
    energy = stalled.measured["resistor_energy_J"]
    assert energy.low < true_j < energy.high
    assert energy.value == pytest.approx(true_j, rel=0.03)
    assert stalled.measured["stalled_power_W"].value == pytest.approx((0.2 * 331.0) ** 2 / 150, rel=0.05)
    assert stalled.measured["stalled_s"].value == pytest.approx(10.0 - 3 * 0.8 * 0.15, abs=0.15)
    assert over.severity is Severity.DANGER
    assert over.caution == CAUTION_HV


def test_nothing_is_said_of_a_resistor_within_its_rating() -> None:
    signals, _ = _logged(_attempt(2.0, 10.0, HELD), 16.0)
    assert not _of(findings_of(precharge, signals, _vehicle(rated_j=2000.0)), "resistor_stress")
    unrated = findings_of(precharge, signals, _vehicle(rated_j=None))
    assert not _of(unrated, "resistor_stress")
    assert unrated[0].measured["resistor_energy_J"].value is not None


def test_without_its_resistance_no_heat_is_told() -> None:
    signals, _ = _logged(_attempt(2.0, 10.0, HELD), 16.0)
    (finding,) = findings_of(precharge, signals, _vehicle(ohm=None))
    assert not any(name.startswith(("resistor_", "stalled_")) for name in finding.measured)


def test_heat_of_retries_adds_up_as_far_as_it_has_not_cooled() -> None:
    """Three tries, five seconds apart: 20 s to 5 min of cooling leave between 72 and 99 % from one to the next."""
    tries = tuple(stage for k in range(3) for stage in _attempt(2.0 + 5 * k, 0.15))
    signals, solution = _logged(tries, 20.0)
    findings = findings_of(precharge, signals, _vehicle(rated_j=80.0))
    energies = [_heat_j(solution, 2.0 + 5 * k, 2.15 + 5 * k) for k in range(3)]
    heats = [f.measured["resistor_heat_J"] for f in findings[1:] if "resistor_heat_J" in f.measured]
    low, high = (sum(e * np.exp(-5 * (2 - k) / tau) for k, e in enumerate(energies)) for tau in (20.0, 300.0))
    (over,) = _of(findings, "resistor_stress")
    assert 0.85 * low < heats[-1].low < low  # with what is uncertain of the time constants
    assert heats[-1].high == pytest.approx(high, rel=0.1)
    assert over.measured["count"].value == len(over.events) == 2
    assert over.severity is Severity.DANGER
    assert "earlier" in over.explanation


def test_a_log_that_ends_in_a_stall_gives_a_lower_bound() -> None:
    signals, solution = _logged((Stage(2.0, relay=True, parallel_ohm=HELD),), 9.0)
    (finding,) = findings_of(precharge, signals, _vehicle(rated_j=None))
    energy = finding.measured["resistor_energy_J"]
    assert energy.value is None
    assert energy.high is None
    assert energy.low == pytest.approx(_heat_j(solution, 2.0, 9.0), rel=0.2)


def test_a_link_that_never_rises_may_be_shorted() -> None:
    """331 V across 150 ohm for 4 s: 730 W, 2.9 kJ where the link is shorted; nothing where the path is open."""
    signals, _ = _logged((Stage(2.0, relay=True, resistance_ohm=1e9), Stage(6.0)), 9.0)
    (finding,) = findings_of(precharge, signals, _vehicle())
    energy = finding.measured["resistor_energy_J"]
    assert (energy.value, energy.low) == (None, 0.0)
    assert energy.high == pytest.approx(331.0**2 / 150 * 4.0, rel=0.05)
    assert "shorted" in finding.explanation


CLOSING = SimpleNamespace(start_s=1.00, end_s=1.02)


@pytest.mark.parametrize(
    ("kind", "closing", "attempt", "until"),
    [
        ("closed_early", CLOSING, Attempt(0, 1, 3, True, "level"), (1.01, True)),  # any time between two readings
        ("stalled", None, Attempt(0, 1, 3, True, "fall", relay_s=0.5, relay_end_s=4.0), (4.0, True)),
        ("stalled", None, Attempt(0, 1, 3, True, "log end", relay_s=0.5), (9.0, False)),
        ("stalled", None, Attempt(0, 1, 3, True, "fall"), (3.0, True)),
        ("stalled", None, Attempt(0, 1, 3, True, "log end"), (3.0, False)),
        ("interrupted", None, Attempt(0, 1, 3, True, "fall"), (0.8, True)),
        ("interrupted", None, Attempt(0, 1, 3, True, "log end"), (0.8, False)),
    ],
)
def test_the_resistor_carries_the_charge_until_what_takes_it_over_or_ends_it(
    kind: str, closing: object, attempt: Attempt, until: tuple[float, bool]
) -> None:
    """The contactor, else the relay, else the link's own fall; a log that ends before that shows no end."""
    judged = SimpleNamespace(kind=kind, measurement=SimpleNamespace(attempt=attempt, closing=closing, end_s=0.8))
    link = SimpleNamespace(part=SimpleNamespace(time_s=np.arange(10.0)))
    found = _carries_until(cast(Judged, judged), Signals({}, 0.0, 9.0), cast(Link, link))
    assert found == pytest.approx(until)
