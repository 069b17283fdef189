"""What Hazel's controllers send on her two buses while a drive is played."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.simulate.aux_supply import LowSide
from logscope.simulate.can_output import Stream, candump_text, pack
from logscope.simulate.charge import STEP_S
from logscope.simulate.drive import ROW_S, Drive
from logscope.simulate.drive_heat import sensed_temperatures
from logscope.simulate.hazel_rest import brake_pump_amps, rest_values, steering_amps
from logscope.simulate.layouts import AS_DEFINED, Layout
from logscope.simulate.pack_state import pack_state
from logscope.simulate.sampling import at_rows, largest_since, noisy, sending_times, within
from logscope.simulate.thermal import Temperatures

if TYPE_CHECKING:
    from cantools.database.can import Database

# From the moments at which a message is sent to those at which its values were measured, by message name.
Measured = Mapping[str, Callable[[FloatArray], FloatArray]]

_AS_SENT: Measured = MappingProxyType({})
_ON_SECOND_BUS = frozenset({"Road"})
_CHARGING = frozenset({"Charger", "ChargeRequest", "ChargerInput"})
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
_AUX_NOISE = 0.01
_CHARGER_AMPERE_NOISE = 0.1
_CHARGER_HARDWARE = 1.0  # of its faults
_COUNTERS = 16  # the alive counter has four bits

_OFF, _READY, _DRIVING, _FAULTED = 0.0, 1.0, 2.0, 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Sent:
    """A message as it was sent: its definition (of cantools), when it was ready [s], and physical values."""

    message: Any
    ready_s: FloatArray
    values: dict[str, FloatArray]


def log_drive(drive: Drive, seed: int, epoch_s: float, layout: Layout = AS_DEFINED) -> tuple[bytes, float]:
    """The drive as candump text, and where the log begins on the drive's clock [s].

    epoch_s : stamp of the first frame, seconds since 1970, or 0 for relative stamps
    """
    return candump_text(bus_traffic(drive, seed, layout), epoch_s)


def bus_traffic(drive: Drive, seed: int, layout: Layout = AS_DEFINED) -> list[Stream]:
    """All frames of both buses, with those that have no definition."""
    return [*(stream_of(sent) for sent in sent_messages(drive, seed, layout)), *other_traffic(drive, seed)]


def stream_of(sent: Sent) -> Stream:
    """The frames of a message on its bus."""
    message = sent.message
    bus = "can1" if message.name in _ON_SECOND_BUS else "can0"
    payload = pack(message, sent.values)
    return Stream(bus, message.frame_id, message.is_extended_frame, sent.ready_s, payload)


def other_traffic(drive: Drive, seed: int) -> list[Stream]:
    """Frames of other controllers, for which there is no definition."""
    rng, streams = np.random.default_rng([seed, 4]), []
    for bus, identifier, length, period_s in _OTHER_TRAFFIC:
        ready_s = sending_times(rng, period_s, drive.scenario.duration_s)
        streams.append(Stream(bus, identifier, False, ready_s, _other_payload(rng, ready_s.size, length)))
    return streams


def sent_messages(drive: Drive, seed: int, layout: Layout = AS_DEFINED, measured: Measured = _AS_SENT) -> list[Sent]:
    """The defined messages of a drive with their values; none of a controller that never woke.

    measured : of the messages whose values are older than the message; values of one moment are the same ones
    """
    rng = np.random.default_rng([seed, 2])
    end_s = drive.scenario.duration_s
    heat = sensed_temperatures(drive)
    sent, together = [], dict[float, FloatArray]()
    for message in definitions().messages:
        period_s = layout.period_of(message.name, (message.cycle_time or 0) / 1000)
        ready_s = sending_times(rng, period_s, end_s)
        if layout.together:
            ready_s = together.setdefault(period_s, ready_s)
        if message.name in _CHARGING:
            ready_s = _while_charging(drive, ready_s)
        if message.name == "ChargeRequest":
            ready_s = _requests(drive, ready_s)
        if ready_s.size:
            own = measured.get(message.name)
            taken_s, again = (ready_s, slice(None)) if own is None else np.unique(own(ready_s), return_inverse=True)
            values = _values(message.name, drive, heat, taken_s, rng, layout, period_s)
            values = {name: column[again] for name, column in values.items()} | _counter(message.name, ready_s.size)
            sent.append(Sent(message, ready_s, values))
    return sent


def _counter(message: str, count: int) -> dict[str, FloatArray]:
    """The alive counter of the message that has one."""
    return {"AliveCounter": np.arange(count, dtype=np.float64) % _COUNTERS} if message == "InverterMotion" else {}


def _while_charging(drive: Drive, t: FloatArray) -> FloatArray:
    if drive.charge is None or not drive.charge.time_s.size:
        return t[:0]
    during: FloatArray = t[(t >= drive.charge.time_s[0]) & (t <= drive.charge.time_s[-1])]
    return during


def _requests(drive: Drive, ready_s: FloatArray) -> FloatArray:
    """The request is sent until the pack's monitor falls silent."""
    silent_s = np.inf if drive.scenario.charge is None else drive.scenario.charge.request_silent_s
    return ready_s[ready_s < silent_s]


@cache
def definitions() -> Database:
    """Hazel's definitions, as cantools reads them."""
    from cantools.database import load_string

    text = files("logscope.simulate").joinpath("hazel.dbc").read_text(encoding="utf-8")
    return cast("Database", load_string(text, database_format="dbc"))


def _values(
    message: str, drive: Drive, heat: Temperatures, t: FloatArray, rng: np.random.Generator,
    layout: Layout, period_s: float,
) -> dict[str, FloatArray]:  # fmt: skip
    """Physical values of the signals of a message at its sending times."""

    def row(name: str) -> FloatArray:
        return at_rows(drive.column(name), ROW_S, t)

    match message:
        case "InverterMotion":
            return {
                "MotorSpeed": row("reading_rpm") * drive.scenario.logged_speed_scale,
                "Torque": noisy(rng, row("torque_Nm"), 0.2),
                "TorqueTarget": row("torque_target_Nm"),
            }
        case "InverterCurrent":
            amps = drive.column("current_A")
            amps = at_rows(largest_since(amps, ROW_S, period_s) if layout.holds_peak else amps, ROW_S, t)
            return {
                "MotorCurrent": np.abs(noisy(rng, amps, _AMPERE_NOISE)),
                "MotorCurrentTarget": row("target_A"),
                "LinkCurrent": noisy(rng, row("pack_A"), _AMPERE_NOISE),
            }
        case "InverterHv":
            sensed = drive.high_voltage.solution.sample(t).sensed_V + row("link_shift_V")
            return {"DcLinkVoltage": noisy(rng, sensed, _VOLT_NOISE)}
        case "Inverter":
            fault, enabled, pressed = row("fault"), row("enabled") > 0, row("throttle") > 0
            state = np.select([fault > 0, enabled & pressed, enabled], [_FAULTED, _DRIVING, _READY], _OFF)
            return {"Fault": fault, "State": state}
        case "Pedals":
            throttle = 100 * row("throttle") / drive.scenario.derating.at(t)
            return {
                "Throttle": noisy(rng, throttle, _PEDAL_NOISE),
                "ThrottleSecond": noisy(rng, throttle + 0.3, _PEDAL_NOISE),
                "Brake": (drive.scenario.brake.at(t) > 0.01).astype(np.float64),
            }
        case "Pack":
            return _pack_values(drive, t, rng)
        case "Junction":
            return _switch_positions(drive, t - layout.flag_lag_s)
        case "Temperatures":
            pumps = within(drive.high_voltage.closed, t) & drive.scenario.cooling.pump_runs(t)
            return {
                "Page": np.arange(t.size, dtype=np.float64) % 3,
                "MotorTemperature": np.interp(t, heat.time_s, heat.motor),
                "InverterTemperature": np.interp(t, heat.time_s, heat.inverter),
                "CoolantTemperature": np.interp(t, heat.time_s, heat.coolant),
                "CoolantPump": pumps.astype(np.float64),
            }
        case "Auxiliary":
            return {"Voltage": noisy(rng, _low_side(drive, t).volts, _AUX_NOISE)}
        case "Charger" | "ChargeRequest":
            return _charge_values(drive, t, rng) if message == "Charger" else _charge_request(drive, t)
        case "Road":
            return {"VehicleSpeed": row("speed_kmh")}
    return rest_values(message, drive, heat, lambda at_s: _low_side(drive, at_s), t, rng)


def _low_side(drive: Drive, t: FloatArray) -> LowSide:
    """The 12 V side at each time."""
    other_A = steering_amps(drive, t) + brake_pump_amps(drive, t)
    return drive.scenario.aux.low_side(t, within(drive.high_voltage.closed, t), _coils(drive), other_A)


def _pack_values(drive: Drive, t: FloatArray, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Terminal voltage, which reads 0 until the monitor is awake, current and charge level."""
    state = pack_state(drive, t)
    return {
        "Voltage": np.where(t < drive.scenario.awake_s, 0.0, noisy(rng, state.volts, _VOLT_NOISE)),
        "Current": noisy(rng, state.amps, _AMPERE_NOISE),
        "ChargeLevel": 100.0 * state.level,
    }


def _charge_values(drive: Drive, t: FloatArray, rng: np.random.Generator) -> dict[str, FloatArray]:
    """What the charger measures, by its own meter."""
    session, charge = drive.charge, drive.scenario.charge
    assert session is not None
    assert charge is not None
    volts = np.interp(t, session.time_s, session.output_V) / (1.0 + charge.voltage_error)
    return {
        "Voltage": noisy(rng, volts, _VOLT_NOISE),
        "Current": np.abs(noisy(rng, np.interp(t, session.time_s, session.current), _CHARGER_AMPERE_NOISE)),
        "State": at_rows(session.state, STEP_S, t - session.time_s[0]),
        "Fault": np.where(t >= charge.fault_s, _CHARGER_HARDWARE, 0.0),
    }


def _charge_request(drive: Drive, t: FloatArray) -> dict[str, FloatArray]:
    session = drive.charge
    assert session is not None
    since_s = t - session.time_s[0]
    return {
        "VoltageTarget": at_rows(session.target_V, STEP_S, since_s),
        "CurrentTarget": at_rows(session.target_A, STEP_S, since_s),
    }


def _coils(drive: Drive) -> list[tuple[float, float]]:
    """From when until when the coils of relay and contactor are powered [s]."""
    stages = drive.high_voltage.stages
    ends = [*(stage.start_s for stage in stages[1:]), drive.scenario.duration_s]
    relay = [(stage.start_s, end_s) for stage, end_s in zip(stages, ends, strict=True) if stage.relay]
    return [*_joined(relay), *drive.high_voltage.closed]


def _joined(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans of one coil that touch are one: it pulls in once."""
    joined: list[tuple[float, float]] = []
    for begin_s, end_s in sorted(spans):
        if joined and joined[-1][1] == begin_s:
            joined[-1] = (joined[-1][0], end_s)
        else:
            joined.append((begin_s, end_s))
    return joined


def _switch_positions(drive: Drive, t: FloatArray) -> dict[str, FloatArray]:
    """What the switches are commanded to do: a welded contactor is logged as open."""
    stages = drive.high_voltage.stages
    index = np.searchsorted([stage.start_s for stage in stages], t, side="right") - 1
    relay = np.array([stage.relay for stage in stages], dtype=np.float64)[index]
    contactor = within(drive.high_voltage.closed, t).astype(np.float64)
    return {
        "PrechargeRelay": relay,
        "MainContactor": contactor,
        "NegativeContactor": np.maximum(relay, contactor),
    }


def _other_payload(rng: np.random.Generator, rows: int, length: int) -> NDArray[np.uint8]:
    """Bytes as unknown controllers send them: a counter, something slow, and constants."""
    payload = np.tile(rng.integers(0, 256, length, dtype=np.uint8), (rows, 1))
    payload[:, 0] = np.arange(rows) % 256
    payload[:, 1] = np.cumsum(rng.integers(-1, 2, rows)) % 256
    return payload
