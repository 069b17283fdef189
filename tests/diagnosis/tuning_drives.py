"""Drives of the simulator for the score of the tuning checks: loops of settable damping, and sound driving.

The simulator's loop is a controller of the current of an induction machine with its flux and its voltage limit, so it
is only nearly the second-order loop that the checks fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from score_runs import CASES, layout_of, play
from score_signals import signals_of_drive, vehicle_for

from logscope.findings import Finding, NothingToCheck, Severity
from logscope.pipeline import Check
from logscope.signals import MissingPart, Signals
from logscope.simulate.catalogue import healthy
from logscope.simulate.drive import simulate_drive
from logscope.simulate.hazel_drives import HAZEL, pedal
from logscope.simulate.layouts import Layout
from logscope.simulate.machine import Inverter
from logscope.simulate.motion import Body
from logscope.simulate.scenarios import KeyCycle, Scenario, Tuning
from logscope.vehicle import Vehicle

_PERIOD_S = 0.002
_JUMP_S = 0.005  # of the demand, as from a bench program


def loop_drive(seed: int, frequency_hz: float, damping: float) -> tuple[Signals, Vehicle]:
    """Ten jumps of the demand with the current loop so tuned, logged every 2 ms.

    The rotor is all but locked: a loop that is slower than the driveline swings with that, and its gains alone do not
    say how.
    """
    rng = np.random.default_rng([seed, 3])
    starts = 4.0 + 2.6 * np.arange(10) + rng.uniform(0, 0.3, 10)
    presses = [(at, at + rng.uniform(1.0, 1.5), rng.uniform(0.15, 0.5), _JUMP_S) for at in starts]
    tuning = Tuning(0.0, loop_Hz=frequency_hz, loop_damping=damping, torque_ramp_Nm_per_s=12000.0)
    scenario = Scenario(
        name="loop",
        duration_s=34.0,
        circuit=HAZEL,
        key_cycles=(KeyCycle(1.5, 33.0),),
        throttle=pedal(*presses),
        tunings=(tuning,),
        inverter=Inverter(trip_current_A=1e6),
        body=Body(rotor_inertia_kgm2=50.0),
        awake_s=0.5,
    )
    layout = replace(Layout(), period_s=_PERIOD_S)
    vehicle = vehicle_for(layout)
    return signals_of_drive(simulate_drive(scenario, seed), seed, layout, vehicle)[0], vehicle


def sound_drives(checks: Sequence[Check], hours: float, seed: int = 0) -> tuple[float, list[tuple[str, int, Finding]]]:
    """Hours of sound driving in all layouts and samplings, and what the checks hold against it: (case, seed, finding).

    Warnings, dangers and swings of any severity. Small swings are there indeed: the steps of the encoder's counts make
    the torque ripple, at a frequency that the sampling folds down.
    """
    driven_s = 0.0
    held: list[tuple[str, int, Finding]] = []
    names = [case.name for case in healthy() if case.scenario.charge is None]
    while driven_s < 3600 * hours:
        for name in names:
            drive, draw = play(CASES[name], seed)
            layout = layout_of(seed)
            vehicle = vehicle_for(layout)
            signals, _ = signals_of_drive(drive, draw, layout, vehicle)
            driven_s += drive.scenario.duration_s
            told = [finding for check in checks for finding in _told(check, signals, vehicle)]
            held += [(name, seed, finding) for finding in told if _against(finding)]
        seed += 1
    return driven_s / 3600, held


def _told(check: Check, signals: Signals, vehicle: Vehicle) -> list[Finding]:
    try:
        return check(signals, vehicle)
    except (MissingPart, NothingToCheck):
        return []


def _against(finding: Finding) -> bool:
    return finding.kind == "current_control.oscillation" or is_alarm(finding)


def is_alarm(finding: Finding) -> bool:
    """Whether it is a warning or a danger."""
    return finding.severity.rank >= Severity.WARNING.rank
