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

from logscope.arrays import FloatArray
from logscope.simulate.charge import Session, play_charge
from logscope.simulate.encoder import Disturbance, Encoder, count_speed, interfere, lay_out, read_speed
from logscope.simulate.key_cycles import HighVoltageStory, play
from logscope.simulate.link import LinkRows, Supply, advance_link, link_rows
from logscope.simulate.machine import (
    Drawn,
    Electrical,
    Inverter,
    Machine,
    advance_machine,
    coast,
    current_loop,
    retune,
)
from logscope.simulate.motion import Body, Motion, Road, advance_motion
from logscope.simulate.sampling import within
from logscope.simulate.scenarios import Scenario

ROW_S = 1e-3
_STEPS_PER_ROW = 10
_STEP_S = ROW_S / _STEPS_PER_ROW
_SPEED_FILTER_S = 2e-3  # the inverter smooths the reading, or each count would kick the current
_SAME_RPM = 1e-9  # a filter has arrived; arithmetic on ever smaller numbers would be very slow
_DRIVER_LIFTS_S = 0.8  # after a trip the driver takes the foot off this late…
_DRIVER_WAITS_S = 1.0  # …and presses again this long after the reset
_REGENERATION_RPM = (300.0, 1000.0)  # regeneration fades out below these speeds

_HOLDS_ON_S = 0.02  # how long an inverter that is not informed draws on a link whose contactor has opened
_MAGNETISES_S = 0.5  # after the contactor has closed, before the gates go on
_SHORT_S = 5e-3  # that a phase stays shorted, if no trip ends it before
NO_FAULT, UNDERVOLTAGE, OVERVOLTAGE, OVERCURRENT = 0.0, 1.0, 2.0, 3.0

# link_shift_V : link with the motor less link without; drift_V : of the pack's open-circuit voltage
COLUMNS = (
    "rotor_rpm", "reading_rpm", "deviation_rpm", "current_A", "target_A", "torque_Nm", "torque_target_Nm",
    "speed_kmh", "throttle", "power_W", "pack_A", "fault", "enabled", "link_shift_V", "drift_V",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """A played scenario. `rows` has a row each millisecond and the columns of `COLUMNS`, shape (n, 15)."""

    scenario: Scenario
    high_voltage: HighVoltageStory
    rows: NDArray[np.float32]
    charge: Session | None = None

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
    dropped = within((span for cycle in scenario.key_cycles for span in cycle.dropouts), time_s)
    link = link_rows(scenario.circuit, story, time_s, dropped)
    powered = _powered(scenario, story, time_s)
    shorted = within([(at_s, at_s + _SHORT_S) for at_s in scenario.short_circuits_s], time_s)
    encoder = scenario.encoder
    windows = count // round(encoder.window_s / ROW_S) + 1
    rng = np.random.default_rng([seed, 1])
    disturbance = lay_out(encoder, windows, scenario.encoder_faults, scenario.interference, rng)
    tuned = np.searchsorted([tuning.start_s for tuning in scenario.tunings], time_s, side="right") - 1
    loops = np.array([current_loop(scenario.machine, t.loop_Hz, t.loop_damping, _STEP_S) for t in scenario.tunings])
    ramps = np.array([t.torque_ramp_Nm_per_s for t in scenario.tunings])
    profiles = (scenario.throttle, scenario.brake, scenario.grade, scenario.grip, scenario.ratio)
    asked = np.column_stack([profile.at(time_s) for profile in profiles])
    asked[:, 0] *= scenario.derating.at(time_s)
    circuit = scenario.circuit
    supply = Supply(circuit.pack_ohm + circuit.loop_ohm, circuit.capacitance_F, scenario.pack.volts_per_coulomb)
    rows = _run(
        asked, powered, shorted, tuned, supply, link, loops, ramps, scenario.reset_after_s, scenario.body,
        scenario.machine, scenario.inverter, encoder, disturbance,
    )  # fmt: skip
    return Drive(scenario, story, rows, _charge(scenario, rows))


def _charge(scenario: Scenario, rows: NDArray[np.float32]) -> Session | None:
    """The charge, from the level at which the drive left the pack."""
    if scenario.charge is None:
        return None
    circuit, begin = scenario.circuit, min(round(scenario.charge.start_s / ROW_S), rows.shape[0] - 1)
    open_circuit_V = circuit.open_circuit_V + float(rows[begin, COLUMNS.index("drift_V")])
    return play_charge(
        scenario.charge,
        scenario.pack,
        open_circuit_V,
        circuit.pack_ohm,
        scenario.duration_s,
        scenario.cooling.ambient_C,
    )


def _powered(scenario: Scenario, story: HighVoltageStory, time_s: FloatArray) -> NDArray[np.bool_]:
    """Whether the inverter may have its gates on: it lets go with the key, or only when the link is gone."""
    late = {cycle.off_s for cycle in scenario.key_cycles if cycle.under_load}
    spans = [
        (begin_s + _MAGNETISES_S, end_s + (_HOLDS_ON_S if end_s in late else 0.0)) for begin_s, end_s in story.closed
    ]
    return within(spans, time_s)


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
    powered: NDArray[np.bool_],
    shorted: NDArray[np.bool_],
    tuned: NDArray[np.int64],
    supply: Supply,
    link: LinkRows,
    loops: FloatArray,
    ramps: FloatArray,
    reset_after_s: float,
    body: Body,
    machine: Machine,
    inverter: Inverter,
    encoder: Encoder,
    disturbance: Disturbance,
) -> NDArray[np.float32]:
    """The compiled loop; `asked` holds throttle, brake, grade, grip and ratio by row."""
    rows = np.zeros((asked.shape[0], 15), dtype=np.float32)
    per_window = round(encoder.window_s / ROW_S)
    angles = np.zeros(per_window)  # of the last window, one for each row
    motion, electric = Motion(0.0, 0.0, 0.0, 0.0, 0.0), Electrical(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    drawn = Drawn(0.0, 0.0, 0.0, 0.0)
    reading, held, added, smooth, run_left = 0.0, 0.0, 0.0, 0.0, 0.0
    wish, over_s, supply_s, tripped_s, free_s, fault = 0.0, 0.0, 0.0, -1.0, 0.0, 0.0
    shift_V, drift_V, short_A = 0.0, 0.0, 0.0
    for row in range(asked.shape[0]):
        now_s = row * ROW_S
        if tripped_s >= 0.0 and now_s - tripped_s >= reset_after_s:
            fault, tripped_s, free_s = 0.0, -1.0, now_s + _DRIVER_WAITS_S
        lifted = (tripped_s >= 0.0 and now_s - tripped_s > _DRIVER_LIFTS_S) or now_s < free_s
        throttle = 0.0 if lifted else asked[row, 0]
        road = Road(asked[row, 4], asked[row, 1], asked[row, 2], asked[row, 3])
        enabled = powered[row] and tripped_s < 0.0
        loop, ramp = loops[tuned[row]], ramps[tuned[row]]
        if row > 0 and tuned[row] != tuned[row - 1]:
            electric = retune(loops[tuned[row - 1]], loop, electric)
        window, place = row // per_window, row % per_window
        if place == 0:
            held = reading
            added, run_left = interfere(encoder, disturbance, window, drawn.current, run_left)
        clean = count_speed(encoder, angles[place], motion.angle)
        angles[place] = motion.angle
        reading = read_speed(clean, added, held, disturbance.fault[window], disturbance.fault_rpm[window])
        peak, shift_before_V = 0.0, shift_V
        for _ in range(_STEPS_PER_ROW):
            if smooth != reading:
                smooth += (reading - smooth) * _STEP_S / _SPEED_FILTER_S
                smooth = reading if abs(reading - smooth) < _SAME_RPM else smooth
            shift_V = advance_link(supply, link, row, shift_V, drift_V, drawn.power, _STEP_S)
            link_V = link.base_V[row] + shift_V
            if enabled:
                change = torque_wish(inverter, throttle, smooth) - wish
                wish += min(max(change, -ramp * _STEP_S), ramp * _STEP_S)
                electric, drawn = advance_machine(
                    machine, inverter, loop, electric, wish, smooth * pi / 30, motion.rotor, link_V, _STEP_S
                )
                short_A = short_A + link_V / machine.leakage_H * _STEP_S if shorted[row] else 0.0
                over = drawn.current + short_A > inverter.trip_current_A
                over_s = over_s + _STEP_S if over else 0.0
                outside = link_V < inverter.under_V or link_V > inverter.over_V
                supply_s = supply_s + _STEP_S if outside else 0.0
                if over_s >= inverter.trip_delay_s or supply_s >= inverter.supply_delay_s:
                    supply_fault = UNDERVOLTAGE if link_V < inverter.under_V else OVERVOLTAGE
                    fault = OVERCURRENT if over_s >= inverter.trip_delay_s else supply_fault
                    enabled, tripped_s, over_s, supply_s = False, now_s, 0.0, 0.0
            else:
                wish, short_A, over_s, supply_s = 0.0, 0.0, 0.0, 0.0
                electric, drawn = coast(machine, electric, _STEP_S)
            motion = advance_motion(body, road, motion, drawn.torque, _STEP_S)
            peak = max(peak, drawn.current + short_A)
        pack_A = 0.0
        if link.closed[row]:
            pack_A = drawn.power / max(link_V, 1.0)
            if row > 0 and link.dropped[row - 1]:  # the contactor is back: the link is filled up at once
                pack_A += supply.capacitance_F * (shift_V - shift_before_V) / ROW_S
        drift_V -= supply.volts_per_coulomb * pack_A * ROW_S
        values = (
            motion.rotor * 30 / pi, reading, reading - clean, peak, drawn.target, drawn.torque, wish,
            motion.speed * 3.6, throttle, drawn.power, pack_A, fault, 1.0 if enabled else 0.0, shift_V, drift_V,
        )  # fmt: skip
        for column in range(15):
            rows[row, column] = values[column]
    return rows
