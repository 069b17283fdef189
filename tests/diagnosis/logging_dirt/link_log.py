"""A solved high-voltage circuit as a real logger keeps it: link, pack and states on two buses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logging_dirt.definitions import HAZEL_FILE, OTHER_FILE, message
from logging_dirt.link_dirt import LinkDirt
from logging_dirt.logger import Clock, in_bursts
from logging_dirt.states import Spans, state_messages
from logscope.arrays import FloatArray
from logscope.simulate.can_output import Stream, pack
from logscope.simulate.circuits import Solution
from logscope.simulate.hazel_bus import Sent
from logscope.simulate.sampling import noisy, sending_times
from logscope.vehicle import Vehicle

STEP_S = 5e-4  # of the grid on which the sensing is reckoned: a quarter of the shortest lag
NOISE_V, _NOISE_A = 0.15, 0.6  # as on Hazel's bus
_PACK_PERIOD_S = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Played:
    """What happened: the solved circuit until `end_s`, the spans of its switches, and the current drawn.

    drawn_A : by the inverter, on a grid of `STEP_S`
    """

    solution: Solution
    end_s: float
    relay: Spans
    contactor: Spans
    negative: Spans
    drawn_A: FloatArray


def grid(end_s: float) -> FloatArray:
    """The moments of the grid [s]."""
    return np.arange(0.0, end_s + STEP_S, STEP_S)


def log_link(rng: np.random.Generator, played: Played, dirt: LinkDirt) -> tuple[bytes, Clock]:
    """The messages of inverter, pack and junction box as candump text, and the log's clock."""
    circuit, time_s, end_s = played.solution.circuit, grid(played.end_s), played.end_s
    trace = played.solution.sample(time_s)
    sag_V = (circuit.pack_ohm + circuit.loop_ohm) * played.drawn_A
    sensed_V = dirt.sensing.reading(trace.link_V - sag_V, STEP_S)
    ready_s = sending_times(rng, dirt.period_s, end_s)
    taken_s = dirt.refresh.taken_s(ready_s) if dirt.refresh else ready_s
    moments, again = np.unique(taken_s, return_inverse=True)  # a reading that is sent again is the same again
    volts = noisy(rng, np.interp(moments, time_s, sensed_V), NOISE_V)[again]
    link = Sent(message(dirt.link), in_bursts(ready_s, dirt.burst), {"DcLinkVoltage": volts})
    link = dirt.boot.sent(link) if dirt.boot else link
    repeated = [dirt.repetition.repeated(rng, link, end_s)] if dirt.repetition else []
    pack_s = sending_times(rng, _PACK_PERIOD_S, end_s)
    terminal_V, pack_A = trace.terminal_V - circuit.pack_ohm * played.drawn_A, trace.pack_A + played.drawn_A
    monitor = Sent(
        message("Pack"),
        pack_s,
        {
            "Voltage": noisy(rng, np.interp(pack_s, time_s, terminal_V), NOISE_V),
            "Current": noisy(rng, np.interp(pack_s, time_s, pack_A), _NOISE_A),
        },
    )
    monitor = dirt.pack_asleep.sent(monitor) if dirt.pack_asleep else monitor
    states = state_messages(rng, dirt.states, played.relay, played.contactor, played.negative, end_s)
    streams = [_stream("can0", each) for each in (link, *repeated, *states)]
    return dirt.logger.written([*streams, _stream("can1", monitor)])


def _stream(bus: str, sent: Sent) -> Stream:
    return Stream(bus, sent.message.frame_id, False, sent.ready_s, pack(sent.message, sent.values))


def link_vehicle(dirt: LinkDirt, sections: Mapping[str, Mapping[str, object]], *, flags: bool = True) -> Vehicle:
    """The vehicle file that fits the log, with further sections; `flags`: whether the states are mapped."""
    signals: dict[str, object] = {
        "dc_link_voltage": dirt.repetition.mapped if dirt.repetition else f"{dirt.link}.DcLinkVoltage",
        **(dirt.states.mapped if flags else {}),
    }
    if dirt.pack:
        signals |= {"battery_voltage": "Pack.Voltage", "battery_current": "Pack.Current"}
    definitions = [{"definitions": [str(HAZEL_FILE), str(OTHER_FILE)]}]
    return Vehicle.model_validate({"can": definitions, "signals": signals, **sections})
