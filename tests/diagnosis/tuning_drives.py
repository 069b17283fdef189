"""Drives of the simulator for the score of the tuning checks: loops of settable damping, and sound driving.

The simulator's loop is a controller of the current of an induction machine with its flux and its voltage limit, so it
is only nearly the second-order loop that the checks fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from drive_catalogue import healthy
from one_check import findings_of
from scipy import optimize, signal
from score_runs import CASES, layout_of, play
from score_signals import signals_of_drive, vehicle_for

from logscope.arrays import FloatArray
from logscope.findings import Finding, NothingToCheck, Severity
from logscope.pipeline import Check
from logscope.signals import MissingPart, Signals
from logscope.simulate.drive import ROW_S, Drive, simulate_drive
from logscope.simulate.hazel_drives import HAZEL, pedal
from logscope.simulate.layouts import Layout
from logscope.simulate.machine import Inverter
from logscope.simulate.motion import Body
from logscope.simulate.scenarios import KeyCycle, Scenario, Tuning
from logscope.vehicle import Vehicle

_PERIOD_S = 0.002
_MOVES_NM, _APART_ROWS = 0.5, 200  # of the target in a millisecond: a jump; and what parts one from the next
_BEFORE_ROWS, _PERIODS = 5, 6  # that are fitted
_JUMP_S = 0.005  # of the demand, as from a bench program


def loop_drive(seed: int, frequency_hz: float, damping: float) -> tuple[Signals, Vehicle, Drive]:
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
    drive = simulate_drive(scenario, seed)
    return signals_of_drive(drive, seed, layout, vehicle)[0], vehicle, drive


def as_it_answers(drive: Drive, frequency_hz: float, damping: float) -> tuple[float, float]:
    """Natural frequency [Hz] and damping of the second-order loop that a drive's torque answers like.

    By scipy: the noise-free torque of each millisecond behind each jump up, against scipy.signal.lsim of the target as
    it moved, by scipy.optimize.least_squares from the gains' own figures on; the median over the jumps. Flux and slip
    make the loop a little other than its gains are set for.
    """
    target, torque = drive.column("torque_target_Nm"), drive.column("torque_Nm")
    moved = np.flatnonzero(np.diff(target) > _MOVES_NM)
    begins = moved[np.diff(moved, prepend=-_APART_ROWS) >= _APART_ROWS]
    found = []
    for begin in begins[1:]:  # the first jump finds the machine without flux
        rows = slice(begin - _BEFORE_ROWS, begin + round(_PERIODS / frequency_hz / ROW_S))
        time_s, asked, answer = np.arange(target[rows].size) * ROW_S, target[rows] - target[begin], torque[rows]

        def away(p: FloatArray, t: FloatArray = time_s, u: FloatArray = asked, y: FloatArray = answer) -> FloatArray:
            natural = 2 * np.pi * p[0]
            loop = signal.lti([natural**2], [1.0, 2 * p[1] * natural, natural**2])
            return np.asarray(p[2] + p[3] * signal.lsim(loop, u, t)[1] - y)

        found.append(optimize.least_squares(away, [frequency_hz, damping, answer[0], 1.0]).x[:2])
    middle = np.median(found, axis=0)
    return float(middle[0]), float(middle[1])


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
        return findings_of(check, signals, vehicle)
    except (MissingPart, NothingToCheck):
        return []


def _against(finding: Finding) -> bool:
    return finding.kind == "current_control.oscillation" or is_alarm(finding)


def is_alarm(finding: Finding) -> bool:
    """Whether it is a warning or a danger."""
    return finding.severity.rank >= Severity.WARNING.rank
