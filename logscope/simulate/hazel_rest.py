"""What Hazel's slower controllers send: the coolant loop, the 12 V side, the cells, the charging port.

Steps of 1 °C and 0.1 V, at 1 Hz and 10 Hz. A controller that has just woken repeats what it knew when it went to sleep.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from logscope.arrays import FloatArray
from logscope.simulate.aux_supply import LowSide, Span
from logscope.simulate.charge import PLUGGED_S, Session, hottest_place
from logscope.simulate.drive import ROW_S, Drive
from logscope.simulate.pack_state import pack_state
from logscope.simulate.sampling import at_rows, noisy, within
from logscope.simulate.thermal import STEP_S, Temperatures

CELLS = 82  # in series
_LOWEST_CELL_V, _HIGHEST_CELL_V = -0.006, 0.004  # off the mean of the cells
_WEAK_CELL = 0.08  # more resistance of the lowest one, as a share
_COOLS_S = 4 * 3600.0  # of a pack in a closed box
_WAKES_S = 0.6  # after the pack's monitor, that a controller knows new values
_PUMP_RPM, _PUMP_RPM_NOISE = 4200.0, 15.0
_BRAKED = 0.01  # of the pedal
_PUMP_STARTS_S, _STEERING_STARTS_S = 0.4, 1.5
_EFFICIENCY, _STANDBY_W = 0.93, 15.0
_WATT_NOISE = 5.0
_LOCKS_S, _UNLOCKS_S = 1.0, 2.0  # after the plug is in, and after the charger's last message
_AMPERE_NOISE = 0.2
_STANDBY, _RUNNING = 1.0, 2.0


def rest_values(
    message: str, drive: Drive, heat: Temperatures, low: Callable[[FloatArray], LowSide], t: FloatArray,
    rng: np.random.Generator,
) -> dict[str, FloatArray]:  # fmt: skip
    """Physical values of the signals of a slower message at its sending times.

    low : the 12 V side at given times
    """
    match message:
        case "CoolantLoop":
            return _coolant_loop(drive, heat, t, rng)
        case "Converter":
            side = low(t)
            awake = t >= drive.scenario.awake_s
            return {
                "Voltage": np.where(awake, side.converter_V, 0.0),
                "Current": np.where(awake, np.maximum(noisy(rng, side.converter_A, _AMPERE_NOISE), 0.0), 0.0),
                "State": np.where(side.converts, _RUNNING, np.where(awake, _STANDBY, 0.0)),
                "LowVoltageBatteryCurrent": noisy(rng, side.battery_A, _AMPERE_NOISE),
            }
        case "LowVoltageLoads":
            return {
                "SteeringPump": within(steering_spans(drive), t).astype(np.float64),
                "SteeringPumpCurrent": steering_amps(drive, t),
                "BrakePump": within(brake_pump_spans(drive), t).astype(np.float64),
                "BrakePumpCurrent": brake_pump_amps(drive, t),
            }
        case "Cells":
            return _cells(drive, t)
        case "ChargerInput":
            assert drive.charge is not None
            session = drive.charge
            watts = np.interp(t, session.time_s, input_watts(session))
            return {"InputPower": np.where(watts > 0.0, noisy(rng, watts, _WATT_NOISE), 0.0)}
        case "ChargePort":
            plugged = within(plug_spans(drive), t)
            return {
                "ChargePlug": plugged.astype(np.float64),
                "ChargeLock": (plugged & within(_lock_spans(drive.charge), t)).astype(np.float64),
            }
    raise ValueError(f"no controller sends {message}")


def steering_spans(drive: Drive) -> list[Span]:
    """When the pump of the power steering runs: while the contactor is closed."""
    return [(begin_s + _STEERING_STARTS_S, end_s) for begin_s, end_s in drive.high_voltage.closed]


def brake_pump_spans(drive: Drive) -> list[Span]:
    """When the vacuum pump of the brake runs: after each press of the pedal, while the contactor is closed."""
    time_s = np.arange(0.0, drive.scenario.duration_s, STEP_S)
    pressed = drive.scenario.brake.at(time_s) > _BRAKED
    starts = time_s[1:][pressed[1:] & ~pressed[:-1]] + _PUMP_STARTS_S
    return [
        (float(at_s), min(float(at_s) + drive.scenario.aux.brake_pump_s, end_s))
        for begin_s, end_s in drive.high_voltage.closed
        for at_s in starts[(starts > begin_s) & (starts < end_s)]
    ]


def steering_amps(drive: Drive, t: FloatArray) -> FloatArray:
    """What the pump of the steering draws [A]."""
    return drive.scenario.aux.motor_amps(t, steering_spans(drive), drive.scenario.aux.steering_A)


def brake_pump_amps(drive: Drive, t: FloatArray) -> FloatArray:
    """What the vacuum pump of the brake draws [A]."""
    aux, on = drive.scenario.aux, brake_pump_spans(drive)
    own = aux.motor_amps(t, [(at_s, until_s + aux.brake_pump_runs_on_s) for at_s, until_s in on], aux.brake_pump_A)
    through = aux.motor_amps(t, steering_spans(drive), aux.brake_pump_fed_by_steering * aux.brake_pump_A)
    return np.maximum(own, through)


def _coolant_loop(drive: Drive, heat: Temperatures, t: FloatArray, rng: np.random.Generator) -> dict[str, FloatArray]:
    known = t >= drive.scenario.awake_s + _WAKES_S
    before_C = float(rng.uniform(15.0, 45.0))
    cooling, supplied = drive.scenario.cooling, within(drive.high_voltage.closed, t)
    turns, share = supplied & cooling.pump_turns(t), supplied * cooling.pump_share(t)
    return {
        "OutletTemperature": np.where(known, np.interp(t, heat.time_s, heat.jacket), before_C),
        "PumpSpeed": np.where(known & turns, noisy(rng, np.full(t.size, _PUMP_RPM), _PUMP_RPM_NOISE), 0.0),
        "PumpCurrent": np.where(known & turns, noisy(rng, drive.scenario.aux.pump_A * share, 0.05), 0.0),
        "CoolantFan": np.where(known, at_rows(heat.fan.astype(np.float64), STEP_S, t), 0.0),
    }


def pack_temperatures(drive: Drive) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times [s], and the coldest and hottest place of the pack [°C]: dT/dt = I²·R/C − (T − ambient)/τ."""
    every = round(STEP_S / ROW_S)
    pack_A = drive.column("pack_A")
    amps = pack_A[: pack_A.size // every * every].reshape(-1, every).mean(axis=1)
    time_s = np.arange(amps.size) * STEP_S
    if drive.charge is not None and drive.charge.time_s.size:
        amps = amps - np.interp(time_s, drive.charge.time_s, drive.charge.pack_A, left=0.0, right=0.0)
    watts = drive.scenario.circuit.pack_ohm * amps**2
    warmer_K = (
        np.concatenate(([0.0], np.cumsum(watts)[:-1]))
        * STEP_S
        / drive.scenario.pack.heat_J_per_K
        * np.exp(-time_s / _COOLS_S)
    )
    ambient_C = drive.scenario.cooling.ambient_C
    return time_s, ambient_C + 0.85 * warmer_K, np.asarray(hottest_place(ambient_C, warmer_K))


def _cells(drive: Drive, t: FloatArray) -> dict[str, FloatArray]:
    state = pack_state(drive, t)
    drop_V = state.amps * drive.scenario.circuit.pack_ohm / CELLS
    known = t >= drive.scenario.awake_s + _WAKES_S
    time_s, coldest, hottest = pack_temperatures(drive)
    return {
        "LowestVoltage": np.where(known, state.volts / CELLS + _LOWEST_CELL_V - _WEAK_CELL * drop_V, 0.0),
        "HighestVoltage": np.where(known, state.volts / CELLS + _HIGHEST_CELL_V, 0.0),
        "LowestTemperature": np.interp(t, time_s, coldest),
        "HighestTemperature": np.interp(t, time_s, hottest),
    }


def input_watts(session: Session) -> FloatArray:
    """What the charger draws from the mains [W], at the times of the session."""
    return (session.current * session.voltage / _EFFICIENCY + _STANDBY_W) * session.fed


def plug_spans(drive: Drive) -> list[Span]:
    """When the plug is in: from the beginning of the session until it is pulled, after its end at the latest."""
    session, charge = drive.charge, drive.scenario.charge
    if session is None or charge is None or not session.time_s.size:
        return []
    return [(float(session.time_s[0]), min(charge.unplugged_s, float(session.time_s[-1]) + PLUGGED_S))]


def _lock_spans(session: Session | None) -> list[Span]:
    if session is None or not session.time_s.size:
        return []
    return [(float(session.time_s[0]) + _LOCKS_S, float(session.time_s[-1]) + _UNLOCKS_S)]
