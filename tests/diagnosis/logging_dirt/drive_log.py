"""A drive of the catalogue as a real logger keeps it, and what of its truth is then still in the log."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logging_dirt.definitions import HAZEL_FILE, OTHER_FILE
from logging_dirt.drive_dirt import BURST, INVERTER, DriveDirt, draw_drive_dirt
from logging_dirt.foreign import Foreign
from logging_dirt.logger import Clock, in_bursts
from logging_dirt.sensing import Sensing
from logging_dirt.shown import OPENINGS, shown
from logging_dirt.states import Reporting, state_messages
from logscope.arrays import FloatArray
from logscope.simulate.can_output import Stream
from logscope.simulate.drive import ROW_S, Drive
from logscope.simulate.drive_truth import drive_truth
from logscope.simulate.hazel_bus import Sent, other_traffic, sent_messages, stream_of
from logscope.simulate.layouts import Layout
from logscope.simulate.sampling import noisy
from logscope.simulate.truth import TruthEvent
from logscope.vehicle import CanSection, Mapped, Vehicle

_VOLT_NOISE = 0.15  # as on Hazel's bus
_FILTERED = frozenset({"MotorSpeed"})  # what comes back through a filter after a restart
# Without which part nothing of a topic can be told.
_RESTS_ON = {
    "precharge": ("dc_link_voltage",),
    "dc_link": ("dc_link_voltage",),
    "contactor": ("dc_link_voltage", "battery_current"),
    "encoder": ("motor_speed",),
    "trip": ("fault", "motor_current"),
}


@dataclass(frozen=True, slots=True, eq=False)
class DirtyLog:
    """A log and what happened in it.

    truth : on the log's clock, without what the log does not hold; a restart at speed is `encoder.restart`
    unshown : what happened at the contactors and cannot be decided from the log (`shown`, or a part in doubt)
    vehicle : the vehicle file that fits the log; clock : that of the log
    measured : when each reading of the motor speed was stamped and taken, on the log's and on the drive's clock [s]
    """

    text: bytes
    clock: Clock
    vehicle: Vehicle
    dirt: DriveDirt
    truth: tuple[TruthEvent, ...]
    unshown: tuple[TruthEvent, ...]
    measured: tuple[FloatArray, FloatArray]


def dirty_log(drive: Drive, seed: int, layout: Layout, vehicle: Vehicle, *, clean: bool = False) -> DirtyLog:
    """Draw the dirt of a drive and log it; `vehicle` is the vehicle file without dirt, `clean` leaves the dirt out."""
    plain = sent_messages(drive, seed, layout)
    dirt = DriveDirt() if clean else draw_drive_dirt(seed, drive, plain)
    rng = np.random.default_rng([seed, 1501])
    sent = dirty_messages(rng, drive, seed, layout, plain, dirt)
    if dirt.states and dirt.states.reporting is not Reporting.TOGETHER:
        sent = [each for each in sent if each.message.name != "Junction"]
        sent += _states(rng, drive, dirt)
    if dirt.repetition:
        repeated = dirt.repetition.part == "motor_speed"
        first = next(each for each in sent if each.message.name == ("InverterMotion" if repeated else "InverterHv"))
        sent.append(dirt.repetition.repeated(rng, first, drive.scenario.duration_s))
    sent = [_from(each, dirt.starts_s) for each in sent]
    streams = [stream_of(each) for each in sent if each.ready_s.size]
    if dirt.foreign:
        true = next(each for each in sent if each.message.name == dirt.foreign.message)
        streams.append(dirt.foreign.stream(rng, stream_of(true)))
    streams += [_frames_from(each, dirt.starts_s) for each in other_traffic(drive, seed)]
    text, clock = dirt.logger.written(streams)
    fitting = _vehicle(vehicle, dirt)
    logged, hidden = _logged_truth(drive, dirt, fitting, sent)
    truth, unshown = (tuple(_on_log(event, clock) for event in events) for events in (logged, hidden))
    motion = next(each for each in sent if each.message.name == "InverterMotion")
    return DirtyLog(text, clock, fitting, dirt, truth, unshown, (clock.log_s(motion.ready_s), _taken_s(motion, dirt)))


def dirty_messages(
    rng: np.random.Generator, drive: Drive, seed: int, layout: Layout, plain: list[Sent], dirt: DriveDirt
) -> list[Sent]:
    """What becomes of the plain messages as they are sensed and sent; states, repetitions and the logger apart."""
    measured = {name: slow.taken_s for name, slow in dirt.refresh}
    sent = sent_messages(drive, seed, layout, measured) if measured else plain
    return [_disturbed(_sensed(rng, each, drive, dirt), dirt) for each in sent]


def _taken_s(sent: Sent, dirt: DriveDirt) -> FloatArray:
    """When the values of a message were measured."""
    slow = dict(dirt.refresh).get(sent.message.name)
    return slow.taken_s(sent.ready_s) if slow else sent.ready_s


def _sensed(rng: np.random.Generator, sent: Sent, drive: Drive, dirt: DriveDirt) -> Sent:
    """The link voltage behind the low-passes of its sensing."""
    if sent.message.name != "InverterHv" or dirt.sensing == Sensing():
        return sent
    time_s = drive.time_s
    true = drive.high_voltage.solution.sample(time_s).link_V + drive.column("link_shift_V")
    moments, again = np.unique(_taken_s(sent, dirt), return_inverse=True)
    shown = noisy(rng, np.interp(moments, time_s, dirt.sensing.reading(true, ROW_S)), _VOLT_NOISE)[again]
    return replace(sent, values={"DcLinkVoltage": shown})


def _disturbed(sent: Sent, dirt: DriveDirt) -> Sent:
    """The message as its controller sends it: booting, asleep, without a value, in bursts."""
    name = sent.message.name
    if dirt.link_boot and name == "InverterHv":
        sent = dirt.link_boot.sent(sent)
    if dirt.restart and name in INVERTER:
        filtered = frozenset(sent.values) & _FILTERED
        boot = dirt.restart if filtered else replace(dirt.restart, filter_s=0.0)
        sent = boot.sent(sent, filtered or None)
    if dirt.pack_asleep and name == "Pack":
        sent = dirt.pack_asleep.sent(sent)
    if dirt.no_value:
        sent = dirt.no_value.sent(sent)
    return replace(sent, ready_s=in_bursts(sent.ready_s, BURST)) if name in dirt.bursts else sent


def _states(rng: np.random.Generator, drive: Drive, dirt: DriveDirt) -> list[Sent]:
    stages = drive.high_voltage.stages
    ends = [*(stage.start_s for stage in stages[1:]), drive.scenario.duration_s]
    relay = [(stage.start_s, end_s) for stage, end_s in zip(stages, ends, strict=True) if stage.relay]
    contactor = drive.high_voltage.closed
    assert dirt.states is not None
    return state_messages(rng, dirt.states, relay, contactor, [*relay, *contactor], drive.scenario.duration_s)


def _from(sent: Sent, start_s: float) -> Sent:
    kept = sent.ready_s >= start_s
    return replace(sent, ready_s=sent.ready_s[kept], values={name: v[kept] for name, v in sent.values.items()})


def _frames_from(stream: Stream, start_s: float) -> Stream:
    kept = stream.ready_s >= start_s
    return replace(stream, ready_s=stream.ready_s[kept], payload=stream.payload[kept])


def _vehicle(vehicle: Vehicle, dirt: DriveDirt) -> Vehicle:
    """The vehicle file that fits: its definitions, and the parts that are mapped to other signals."""
    other = dict(dirt.states.mapped) if dirt.states else {}
    if dirt.repetition:
        other[dirt.repetition.part] = {"signal": dirt.repetition.mapped}
    signals = {
        part: Mapped.model_validate(other[part]) if part in other else mapped
        for part, mapped in vehicle.signals.items()
    }
    files = CanSection(definitions=(str(HAZEL_FILE), str(OTHER_FILE)))
    return vehicle.model_copy(update={"signals": signals, "can": (files,)})


def _logged_truth(
    drive: Drive, dirt: DriveDirt, vehicle: Vehicle, sent: list[Sent]
) -> tuple[list[TruthEvent], list[TruthEvent]]:
    """What happened and is in the log, and what of the contactors it cannot show, on the drive's clock."""
    happened = [event for event in drive_truth(drive) if event.end_s > dirt.starts_s]
    spoilt = _spoilt(dirt, vehicle)
    name, _, signal = vehicle.signals["dc_link_voltage"].signal.partition(".")
    link = next(each for each in sent if each.message.name == name)

    def hidden(event: TruthEvent) -> bool:
        in_doubt = any(part in spoilt for part in _RESTS_ON.get(_topic(event), ()))
        return in_doubt or (event.kind in OPENINGS and not shown(event, drive, link.ready_s, link.values[signal]))

    events = [event for event in happened if not hidden(event)]
    unshown = [event for event in happened if event.kind in OPENINGS and hidden(event)]
    if dirt.restart and "motor_speed" not in spoilt:
        begin_s, end_s = dirt.restart.at_s, dirt.restart.at_s + dirt.restart.silent_s + 3 * dirt.restart.filter_s
        events.append(TruthEvent("encoder.restart", begin_s, end_s))
    return sorted(events, key=lambda event: event.start_s), unshown


def _spoilt(dirt: DriveDirt, vehicle: Vehicle) -> set[str]:
    """The parts that two contents under one identifier leave in doubt."""
    foreign: Foreign | None = dirt.foreign
    if foreign is None:
        return set()
    return {part for part, mapped in vehicle.signals.items() if mapped.signal.startswith(f"{foreign.message}.")}


def _topic(event: TruthEvent) -> str:
    return event.kind.partition(".")[0]


def _on_log(event: TruthEvent, clock: Clock) -> TruthEvent:
    return replace(event, start_s=clock.at(event.start_s), end_s=clock.at(event.end_s))
