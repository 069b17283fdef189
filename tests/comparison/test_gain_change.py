"""Two simulated runs before and after a change of the current loop's gains, from the log files to the verdict."""

from __future__ import annotations

from pathlib import Path

import pytest

import logscope
from logscope.checks.measures import MEASURES
from logscope.comparison.compare import compare_results
from logscope.comparison.outcome import ComparedMeasure, Comparison, Verdict
from logscope.physics.second_order import overshoot_share
from logscope.result import Result
from logscope.simulate.drive import simulate_drive
from logscope.simulate.hazel_bus import log_drive
from logscope.simulate.hazel_drives import HAZEL, pedal
from logscope.simulate.layouts import Layout
from logscope.simulate.machine import Inverter
from logscope.simulate.motion import Body
from logscope.simulate.scenarios import KeyCycle, Scenario, Tuning

_EPOCH_S = 1772355600.0
_RINGING, _CALM = 0.25, 0.65


def _log(folder: Path, name: str, damping: float, seed: int) -> Path:
    """Five jumps of the demand with the rotor all but locked, logged every 2 ms."""
    scenario = Scenario(
        name=name,
        duration_s=17.0,
        circuit=HAZEL,
        key_cycles=(KeyCycle(1.5, 16.0),),
        throttle=pedal(*((4.0 + 2.3 * k, 5.2 + 2.3 * k, 0.2 + 0.07 * k, 0.005) for k in range(5))),
        tunings=(Tuning(0.0, loop_Hz=30.0, loop_damping=damping, torque_ramp_Nm_per_s=12000.0),),
        inverter=Inverter(trip_current_A=1e6),
        body=Body(rotor_inertia_kgm2=50.0),
        awake_s=0.5,
    )
    path = folder / f"{name}.log"
    path.write_bytes(log_drive(simulate_drive(scenario, seed), seed, _EPOCH_S, Layout(period_s=0.002))[0])
    return path


@pytest.fixture(scope="module")
def vehicle() -> logscope.Vehicle:
    return logscope.load_vehicle(Path(__file__).parents[2] / "decoders" / "hazel.toml")


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory, vehicle: logscope.Vehicle) -> dict[str, Result]:
    """Each log checked once, by the check that measures the overshoot."""
    folder = tmp_path_factory.mktemp("gains")
    made = {"ringing": _RINGING, "calm": _CALM, "calm-again": _CALM}
    logs = {name: _log(folder, name, damping, seed) for seed, (name, damping) in enumerate(made.items(), 41)}
    return {name: logscope.check(log, vehicle, only="current_control") for name, log in logs.items()}


def _overshoot(found: Comparison) -> ComparedMeasure:
    return next(measure for measure in found.measures if measure.name == "overshoot_percent")


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        ("ringing", "calm", Verdict.BETTER),
        ("calm", "ringing", Verdict.WORSE),
        ("calm", "calm-again", Verdict.NO_DIFFERENCE),
    ],
)
def test_overshoot_tells_whether_the_gain_change_helped(
    results: dict[str, Result], vehicle: logscope.Vehicle, before: str, after: str, verdict: Verdict
) -> None:
    """The effect is that of the textbook, exp(−πζ/√(1−ζ²)) (Ogata), but for what the machine adds to its loop."""
    found = compare_results([results[before]], [results[after]], (vehicle, vehicle), MEASURES, [])
    measure = _overshoot(found)
    assert measure.verdict is verdict
    assert measure.effect is not None
    assert measure.effect.value is not None
    dampings = [_RINGING if name == "ringing" else _CALM for name in (before, after)]
    first, second = (100 * overshoot_share(damping) for damping in dampings)
    assert measure.effect.value == pytest.approx(second - first, abs=6.0)
