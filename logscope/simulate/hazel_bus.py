"""What Hazel's controllers send on her two buses while a drive is played."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, cast

import numpy as np
from numpy.typing import NDArray

from logscope.simulate.can_output import Stream, candump_text, pack
from logscope.simulate.drive import ROW_S, Drive
from logscope.simulate.sampling import at_rows, largest_since, noisy, sending_times
from logscope.simulate.thermal import Temperatures, temperatures

if TYPE_CHECKING:
    from cantools.database.can import Database

FloatArray = NDArray[np.float64]

_ON_SECOND_BUS = frozenset({"Road"})
# Traffic of other controllers, for which there is no definition: bus, identifier, bytes, period [s].
_OTHER_TRAFFIC = (
    ("can0", 0x3B0, 8, 0.1),
    ("can0", 0x51A, 4, 0.2),
    ("can1", 0x1B5, 8, 0.1),
    ("can1", 0x281, 8, 0.02),
    ("can1", 0x35C, 6, 0.05),
    ("can1", 0x4F0, 2, 0.5),
)
# Noise of the sensors, standard deviations; of the size that such sensors have (common practice,
# no published source).
_VOLT_NOISE = 0.15
_AMPERE_NOISE = 0.6
_PEDAL_NOISE = 0.05
_COUNTERS = 16  # the alive counter has four bits

_OVERCURRENT = 3.0
_OFF, _READY, _DRIVING, _FAULTED = 0.0, 1.0, 2.0, 3.0


def log_drive(drive: Drive, seed: int, epoch_s: float) -> tuple[bytes, float]:
    """The drive as candump text, and where the log begins on the drive's clock [s].

    epoch_s : stamp of the first frame, seconds since 1970, or 0 for relative stamps
    """
    rng = np.random.default_rng([seed, 2])
    end_s = drive.scenario.duration_s
    heat = temperatures(drive.column("current_A"), ROW_S)
    streams = []
    for message in _definitions().messages:
        ready_s = sending_times(rng, (message.cycle_time or 0) / 1000, end_s)
        payload = pack(message, _values(message.name, drive, heat, ready_s, rng))
        bus = "can1" if message.name in _ON_SECOND_BUS else "can0"
        streams.append(Stream(bus, message.frame_id, message.is_extended_frame, ready_s, payload))
    for bus, identifier, length, period_s in _OTHER_TRAFFIC:
        ready_s = sending_times(rng, period_s, end_s)
        streams.append(Stream(bus, identifier, False, ready_s, _other_payload(rng, ready_s.size, length)))
    return candump_text(streams, epoch_s)


@cache
def _definitions() -> Database:
    from cantools.database import load_string

    text = files("logscope.simulate").joinpath("hazel.dbc").read_text(encoding="utf-8")
    return cast("Database", load_string(text, database_format="dbc"))


def _values(
    message: str, drive: Drive, heat: Temperatures, t: FloatArray, rng: np.random.Generator
) -> dict[str, FloatArray]:
    """Physical values of the signals of a message at its sending times."""

    def row(name: str) -> FloatArray:
        return at_rows(drive.column(name), ROW_S, t)

    match message:
        case "InverterMotion":
            return {
                "MotorSpeed": row("reading_rpm"),
                "Torque": noisy(rng, row("torque_Nm"), 0.2),
                "TorqueTarget": row("torque_target_Nm"),
                "AliveCounter": np.arange(t.size, dtype=np.float64) % _COUNTERS,
            }
        case "InverterCurrent":
            peak = at_rows(largest_since(drive.column("current_A"), ROW_S, 0.01), ROW_S, t)
            return {
                "MotorCurrent": np.abs(noisy(rng, peak, _AMPERE_NOISE)),
                "MotorCurrentTarget": row("target_A"),
                "LinkCurrent": noisy(rng, row("pack_A"), _AMPERE_NOISE),
            }
        case "InverterHv":
            trace = drive.high_voltage.solution.sample(t)
            circuit = drive.scenario.circuit
            sag = row("pack_A") * (circuit.pack_ohm + circuit.loop_ohm)
            return {"DcLinkVoltage": noisy(rng, trace.sensed_V - sag, _VOLT_NOISE)}
        case "Inverter":
            faulted, enabled, pressed = row("tripped") > 0, row("enabled") > 0, row("throttle") > 0
            state = np.select([faulted, enabled & pressed, enabled], [_FAULTED, _DRIVING, _READY], _OFF)
            return {"Fault": np.where(faulted, _OVERCURRENT, 0.0), "State": state}
        case "Pedals":
            throttle = 100 * row("throttle")
            return {
                "Throttle": noisy(rng, throttle, _PEDAL_NOISE),
                "ThrottleSecond": noisy(rng, throttle + 0.3, _PEDAL_NOISE),
                "Brake": (drive.scenario.brake.at(t) > 0.01).astype(np.float64),
            }
        case "Pack":
            return _pack_values(drive, t, row("pack_A"), rng)
        case "Junction":
            return _switch_positions(drive, t)
        case "Temperatures":
            return {
                "Page": np.arange(t.size, dtype=np.float64) % 3,
                "MotorTemperature": np.interp(t, heat.time_s, heat.motor),
                "InverterTemperature": np.interp(t, heat.time_s, heat.inverter),
                "CoolantTemperature": np.interp(t, heat.time_s, heat.coolant),
                "CoolantPump": _closed(drive, t).astype(np.float64),
            }
        case "Auxiliary":
            return {"Voltage": noisy(rng, np.where(_closed(drive, t), 13.8, 12.6), 0.01)}
        case "Road":
            return {"VehicleSpeed": row("speed_kmh")}
    raise ValueError(f"no controller sends {message}")


def _pack_values(drive: Drive, t: FloatArray, motor_A: FloatArray, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Terminal voltage, which reads 0 until the monitor is awake, and current."""
    trace = drive.high_voltage.solution.sample(t)
    volts = noisy(rng, trace.terminal_V - motor_A * drive.scenario.circuit.pack_ohm, _VOLT_NOISE)
    return {
        "Voltage": np.where(t < drive.scenario.awake_s, 0.0, volts),
        "Current": noisy(rng, trace.pack_A + motor_A, _AMPERE_NOISE),
        "ChargeLevel": np.full(t.size, 71.0),
    }


def _switch_positions(drive: Drive, t: FloatArray) -> dict[str, FloatArray]:
    """What the switches are told to do: a welded contactor is logged as open."""
    stages = drive.high_voltage.stages
    index = np.searchsorted([stage.start_s for stage in stages], t, side="right") - 1
    relay = np.array([stage.relay for stage in stages], dtype=np.float64)[index]
    contactor = _closed(drive, t).astype(np.float64)
    return {
        "PrechargeRelay": relay,
        "MainContactor": contactor,
        "NegativeContactor": np.maximum(relay, contactor),
    }


def _closed(drive: Drive, t: FloatArray) -> NDArray[np.bool_]:
    closed = np.zeros(t.size, dtype=np.bool_)
    for begin_s, end_s in drive.high_voltage.closed:
        closed |= (t >= begin_s) & (t < end_s)
    return closed


def _other_payload(rng: np.random.Generator, rows: int, length: int) -> NDArray[np.uint8]:
    """Bytes as unknown controllers send them: a counter, something slow, and constants."""
    payload = np.tile(rng.integers(0, 256, length, dtype=np.uint8), (rows, 1))
    payload[:, 0] = np.arange(rows) % 256
    payload[:, 1] = np.cumsum(rng.integers(-1, 2, rows)) % 256
    return payload
