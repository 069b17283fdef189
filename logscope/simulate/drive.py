"""A whole drive: the scenario played through circuit, machine, motion and encoder.

The inner loop steps by 0.1 ms, a tenth of the fastest time constant in it, and keeps a row each
millisecond. The same scenario and seed give the same drive.

The kernels are compiled anew in each process (under 2 s): numba's cache notices a change in the file
of the outermost kernel only, and would run stale models of machine and motion.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numba import njit
from numpy.typing import NDArray

from logscope.simulate.encoder import Disturbance, Encoder, count_speed, interfere, lay_out, read_speed
from logscope.simulate.key_cycles import HighVoltageStory, play
from logscope.simulate.machine import (
    Drawn,
    Electrical,
    Inverter,
    Machine,
    advance_machine,
    coast,
    current_loop,
)
from logscope.simulate.motion import Body, Motion, Road, advance_motion
from logscope.simulate.scenarios import Scenario

FloatArray = NDArray[np.float64]

ROW_S = 1e-3
_STEPS_PER_ROW = 10
_STEP_S = ROW_S / _STEPS_PER_ROW
_SPEED_FILTER_S = 2e-3  # the inverter smooths the reading, or each count would kick the current
_DRIVER_LIFTS_S = 0.8  # after a trip the driver takes the foot off this late…
_DRIVER_WAITS_S = 1.0  # …and presses again this long after the reset
_REGENERATION_RPM = (300.0, 1000.0)  # regeneration fades out below these speeds

COLUMNS = (
    "rotor_rpm", "reading_rpm", "deviation_rpm", "current_A", "target_A", "torque_Nm", "torque_target_Nm",
    "speed_kmh", "throttle", "power_W", "pack_A", "tripped", "enabled",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """A played scenario. `rows` has a row each millisecond and the columns of `COLUMNS`, shape (n, 13)."""

    scenario: Scenario
    high_voltage: HighVoltageStory
    rows: NDArray[np.float32]

    def column(self, name: str) -> FloatArray:
        """One column over the rows."""
        return self.rows[:, COLUMNS.index(name)].astype(np.float64)

    @property
    def time_s(self) -> FloatArray:
        """The time of each row [s]."""
        return np.arange(self.rows.shape[0], dtype=np.float64) * ROW_S


def simulate_drive(scenario: Scenario, seed: int) -> Drive:
    """Play a scenario; `seed` draws the interference."""
    count = round(scenario.duration_s / ROW_S)
    time_s: FloatArray = np.arange(count, dtype=np.float64) * ROW_S
    story = play(scenario.circuit, scenario.key_cycles, scenario.duration_s)
    closed = np.zeros(count, dtype=np.bool_)
    for begin_s, end_s in story.closed:
        closed |= (time_s >= begin_s + 0.5) & (time_s < end_s)
    encoder = scenario.encoder
    windows = count // round(encoder.window_s / ROW_S) + 1
    rng = np.random.default_rng([seed, 1])
    disturbance = lay_out(encoder, windows, scenario.encoder_faults, scenario.interference, rng)
    tuned = np.searchsorted([tuning.start_s for tuning in scenario.tunings], time_s, side="right") - 1
    loops = np.array([current_loop(scenario.machine, t.loop_Hz, t.loop_damping, _STEP_S) for t in scenario.tunings])
    ramps = np.array([t.torque_ramp_Nm_per_s for t in scenario.tunings])
    profiles = (scenario.throttle, scenario.brake, scenario.grade, scenario.grip, scenario.ratio)
    asked = np.column_stack([profile.at(time_s) for profile in profiles])
    circuit = scenario.circuit
    rows = _run(
        asked, closed, tuned, loops, ramps, circuit.open_circuit_V, circuit.pack_ohm + circuit.loop_ohm,
        scenario.reset_after_s, scenario.body, scenario.machine, scenario.inverter, encoder, disturbance,
    )  # fmt: skip
    return Drive(scenario, story, rows)


@njit(cache=False)
def torque_wish(inverter: Inverter, throttle: float, speed_rpm: float) -> float:
    """The torque that the pedal asks for [Nm]: power limited above, regeneration when released."""
    most = min(inverter.max_torque_Nm, inverter.max_power_W / max(abs(speed_rpm) * 2 * pi / 60, 1.0))
    if throttle > 0.02:
        return throttle * most
    low, high = _REGENERATION_RPM
    return -inverter.regeneration_Nm * min(max((speed_rpm - low) / (high - low), 0.0), 1.0)


@njit(cache=False)
def _run(
    asked: FloatArray,
    closed: NDArray[np.bool_],
    tuned: NDArray[np.int64],
    loops: FloatArray,
    ramps: FloatArray,
    open_circuit_V: float,
    source_ohm: float,
    reset_after_s: float,
    body: Body,
    machine: Machine,
    inverter: Inverter,
    encoder: Encoder,
    disturbance: Disturbance,
) -> NDArray[np.float32]:
    """The compiled loop; `asked` holds throttle, brake, grade, grip and ratio by row."""
    rows = np.zeros((asked.shape[0], 13), dtype=np.float32)
    per_window = round(encoder.window_s / ROW_S)
    angles = np.zeros(per_window)  # of the last window, one for each row
    motion, electric = Motion(0.0, 0.0, 0.0, 0.0, 0.0), Electrical(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    drawn = Drawn(0.0, 0.0, 0.0, 0.0)
    reading, held, added, smooth, run_left = 0.0, 0.0, 0.0, 0.0, 0.0
    wish, over_s, tripped_s, free_s = 0.0, 0.0, -1.0, 0.0
    for row in range(asked.shape[0]):
        now_s = row * ROW_S
        if tripped_s >= 0.0 and now_s - tripped_s >= reset_after_s:
            tripped_s, free_s = -1.0, now_s + _DRIVER_WAITS_S
        lifted = (tripped_s >= 0.0 and now_s - tripped_s > _DRIVER_LIFTS_S) or now_s < free_s
        throttle = 0.0 if lifted else asked[row, 0]
        road = Road(asked[row, 4], asked[row, 1], asked[row, 2], asked[row, 3])
        enabled = closed[row] and tripped_s < 0.0
        loop, ramp = loops[tuned[row]], ramps[tuned[row]]
        window, place = row // per_window, row % per_window
        if place == 0:
            held = reading
            added, run_left = interfere(encoder, disturbance, window, drawn.current, run_left)
        clean = count_speed(encoder, angles[place], motion.angle)
        angles[place] = motion.angle
        reading = read_speed(clean, added, held, disturbance.fault[window], disturbance.fault_rpm[window])
        peak = 0.0
        for _ in range(_STEPS_PER_ROW):
            smooth += (reading - smooth) * _STEP_S / _SPEED_FILTER_S
            if enabled:
                change = torque_wish(inverter, throttle, smooth) - wish
                wish += min(max(change, -ramp * _STEP_S), ramp * _STEP_S)
                link_V = open_circuit_V - source_ohm * drawn.power / open_circuit_V
                electric, drawn = advance_machine(
                    machine, inverter, loop, electric, wish, smooth * pi / 30, motion.rotor, link_V, _STEP_S
                )
                over_s = over_s + _STEP_S if drawn.current > inverter.trip_current_A else 0.0
                if over_s >= inverter.trip_delay_s:
                    enabled, tripped_s, over_s = False, now_s, 0.0
            else:
                wish = 0.0
                electric, drawn = coast(machine, electric, _STEP_S)
            motion = advance_motion(body, road, motion, drawn.torque, _STEP_S)
            peak = max(peak, drawn.current)
        values = (
            motion.rotor * 30 / pi, reading, reading - clean, peak, drawn.target, drawn.torque, wish,
            motion.speed * 3.6, throttle, drawn.power, drawn.power / open_circuit_V,
            1.0 if tripped_s >= 0.0 else 0.0, 1.0 if enabled else 0.0,
        )  # fmt: skip
        for column in range(13):
            rows[row, column] = values[column]
    return rows
