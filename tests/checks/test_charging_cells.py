"""Single cells that are charged: seldom read, with short tapers, small currents, aged, and charged for a time.

A cell is its open-circuit voltage behind a resistance, held at its highest voltage by what the charger gives: solved
step by step from Ohm's law and the charge, by hand (any textbook of batteries). Common practice, no published source,
for the sizes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from logscope.checks.charging.check import charging
from logscope.findings import Finding, Severity
from logscope.observations.charging.sessions import find_sessions
from logscope.observations.observations import Observations
from logscope.plausibility.examine import examine
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle


@dataclass(frozen=True)
class Cell:
    """A cell and its charge. rise_V : of the open-circuit voltage per state of charge; for_s : a charge by time."""

    ampere_hours: float = 2.0
    amps: float = 1.5
    highest_V: float = 4.2
    ohm: float = 0.08
    rise_V: float = 0.8
    end_A: float = 0.02
    for_s: float = 1e9
    before_s: float = 95.0
    after_s: float = 400.0

    def charged(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
        """Time [s], current [A], voltage [V] each second, and when the voltage is reached [s]."""
        state, rows, reached_s, time_s = 0.3, [], np.inf, 0.0
        while True:
            open_V = self.highest_V - self.rise_V * (1.0 - state)
            flows = time_s >= self.before_s
            amps = min(self.amps, (self.highest_V - open_V) / self.ohm) if flows else 0.0
            if flows and amps < self.amps:
                reached_s = min(reached_s, time_s)
            if flows and (amps < self.end_A or time_s - self.before_s > self.for_s):
                break
            rows.append((time_s, amps, open_V + amps * self.ohm))
            state += amps / 3600.0 / self.ampere_hours
            time_s += 1.0
        rest = np.arange(time_s, time_s + self.after_s)
        rows += [(at_s, 0.0, open_V) for at_s in rest.tolist()]
        made = np.array(rows)
        return made[:, 0], made[:, 1], made[:, 2], reached_s

    def signals(self, period_s: float, of: str) -> Signals:
        """As a logger of that period keeps it: the charger's readings, or the battery's beside a plug."""
        time_s, amps, volts, _ = self.charged()
        rows = slice(3, None, round(period_s))
        t, rng = time_s[rows], np.random.default_rng(8100)
        read_A = np.round(amps[rows] + rng.normal(0.0, 5e-4 * self.amps, t.size), 3)
        read_V = np.round(volts[rows] + rng.normal(0.0, 5e-4, t.size), 3)
        parts = [Part("battery_voltage", t, read_V, "V", "Made.Volts", step=0.001)]
        if of == "charger":
            parts.append(Part("charger_current", t, read_A, "A", "Made.Amps", step=0.001))
            parts.append(Part("charger_voltage", t, read_V, "V", "Made.Out", step=0.001))
        else:
            parts.append(Part("battery_current", t, -read_A, "A", "Made.Amps", step=0.001))
            parts.append(Part("charge_plug", t, np.ones(t.size), "", "Made.Plug", on=np.ones(t.size, bool)))
        return Signals({part.name: part for part in parts}, 0.0, float(t[-1]))


LFP = Cell(2.0, 1.9, 3.65, 0.05, 1.0, end_A=0.1)  # its voltage climbs steeply at the end: a taper of two minutes
CELLS = {
    "new": Cell(), "aged": Cell(1.2, 1.5, ohm=0.25), "small": Cell(1.1, 0.35, ohm=0.1, end_A=0.01),
    "large": Cell(280.0, 150.0, 3.65, 0.8e-3, 0.5, end_A=10.0), "short taper": LFP,
}  # fmt: skip


def judged(signals: Signals, vehicle: Vehicle) -> list[Finding]:
    """What plausibility and the check say."""
    plausible = examine(signals, vehicle)
    observations = Observations(plausible.signals, plausible.vehicle)
    return [*plausible.findings, *charging(plausible.signals, observations, plausible.vehicle)]


@pytest.mark.parametrize("of", ["charger", "battery"])
@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
@pytest.mark.parametrize("name", CELLS)
def test_a_cell_is_charged_to_its_end_with_both_phases(name: str, period_s: float, of: str):
    cell = CELLS[name]
    time_s, amps, _, reached_s = cell.charged()
    vehicle = Vehicle.model_validate(
        {"limits": {"battery_max_V": cell.highest_V + 0.02}, "charging": {"end_current_A": cell.end_A}}
    )
    (charge,) = judged(cell.signals(period_s, of), vehicle)
    assert (charge.kind, charge.severity) == ("charge.complete", Severity.GOOD)
    ends_s = float(time_s[np.flatnonzero(amps)[-1]])
    near_s = 2.5 * period_s + 0.02 * (ends_s - cell.before_s)
    measured = charge.measured
    assert measured["constant_current_s"].value == pytest.approx(reached_s - cell.before_s, abs=near_s)
    assert measured["constant_voltage_s"].value == pytest.approx(ends_s - reached_s, abs=near_s)
    assert measured["constant_voltage_V"].value == pytest.approx(cell.highest_V, abs=0.003)


@pytest.mark.parametrize("for_s", [1800.0, 3300.0])  # before the voltage is reached, and after
@pytest.mark.parametrize("of", ["charger", "battery"])
def test_a_charge_that_ends_by_time_is_no_fault_where_nothing_shows_why(of: str, for_s: float):
    (charge,) = judged(Cell(for_s=for_s).signals(10.0, of), Vehicle())
    assert charge.severity is not Severity.WARNING
    if for_s < 2000.0:
        assert charge.kind == "charge.undetermined"
        assert "which would show why it ended" in charge.explanation
        assert len(charge.explanation.split()) <= 60


@pytest.mark.parametrize(
    ("begins_s", "first_s", "cut"),
    [
        (0.0, 0.0, True),  # the log begins while it charges
        (0.8, 0.0, False),  # soon after the log's begin, whose readings show that it did not charge then
        (20.0, 0.0, False),
        (0.0, 0.8, True),  # the current's first message comes a second late
        (0.0, 20.0, False),  # it is logged from then on
    ],
)
@pytest.mark.parametrize(("ends_s", "ends_cut"), [(120.0, True), (118.8, False), (100.0, False)])
def test_a_charge_is_cut_where_no_reading_without_it_lies_at_the_logs_edge(
    begins_s: float, first_s: float, cut: bool, ends_s: float, ends_cut: bool
) -> None:
    at = np.arange(first_s, 120.01, 0.2)
    amps = np.where((at >= begins_s) & (at <= ends_s), 16.0, 0.0)
    signals = Signals({"charger_current": Part("charger_current", at, amps, "A", "C.Current", 0.1)}, 0.0, 120.0)
    (session,) = find_sessions(signals)
    assert (session.starts_cut, session.ends_cut, session.vanished) == (cut, ends_cut, False)
