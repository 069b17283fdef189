"""Sound key cycles as real loggers keep them: the exact circuit, its sensing, its messages, its log.

Precharge, hand-over to the contactor, a drive, key off, discharge, and sometimes a restart while the link is still up.
Nothing is wrong in any of them: the link's R·C lies within 10 % of what the vehicle file says (its band is 20 %), and
the contactor closes above the fraction that it allows. Circuits are built for this alone, without a whole drive, so
that a thousand of them can be played in minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log

import numpy as np
from logging_dirt.boot import Asleep, Boot
from logging_dirt.definitions import HAZEL_FILE, OTHER_FILE, message
from logging_dirt.logger import Clock, Logger, draw_logger, in_bursts
from logging_dirt.refresh import Refresh, draw_refresh
from logging_dirt.repetition import Repetition
from logging_dirt.sensing import Sensing, draw_sensing
from logging_dirt.states import States, draw_states, state_messages
from numpy.typing import NDArray

from logscope.simulate.can_output import Stream, pack
from logscope.simulate.circuits import HighVoltage, Stage, resting_point, solve
from logscope.simulate.hazel_bus import Sent
from logscope.simulate.sampling import noisy, sending_times
from logscope.simulate.truth import TruthEvent
from logscope.vehicle import Vehicle

FloatArray = NDArray[np.float64]

# Links by the step of their readings.
_LINKS = ("InverterHv", "LinkHalfVolt", "LinkVolt")
_PERIODS_S = (0.005, 0.01, 0.02, 0.05, 0.1)
_STEP_S = 5e-4  # of the grid on which the sensing is reckoned: a quarter of the shortest lag
_TIME_CONSTANT_S = (0.03, 1.0)
_PART_SHARE = 0.1  # by which R·C may differ from what the vehicle file says
_TOLERANCE = 0.2
_LOADED, _FULL = (0.962, 0.98), 1.0  # where the curve ends, as a share of the pack, with and without a load
_CLOSES, _CLOSES_LOW = (0.955, 0.995), (0.912, 0.93)
_LEAST_BELOW_END = 0.002  # of the pack, by which the closing lies below the end of the curve
_ALLOWED, _ALLOWED_LOW = 0.95, 0.90  # `close_fraction` of the vehicle file in either case
_BLEED_S = (10.0, 60.0)
_BURST = 3  # messages sent at once, as a production car does
_BOOT_READINGS = (0.0, 4.0)  # of a production car's inverter
_NOISE_V, _NOISE_A = 0.15, 0.6


@dataclass(frozen=True, slots=True)
class Dirt:
    """How a sound cycle is sensed, sent and logged.

    link : the message of the link voltage; period_s : its period
    burst : how many of its messages come at once; pack : whether the pack's voltage and current are mapped
    """

    link: str
    period_s: float
    sensing: Sensing
    states: States
    logger: Logger
    refresh: Refresh | None = None
    repetition: Repetition | None = None
    boot: Boot | None = None
    pack_asleep: Asleep | None = None
    burst: int = 1
    pack: bool = True

    @property
    def what(self) -> tuple[str, ...]:
        """Its names in a table."""
        parts = [self.sensing, self.states, self.refresh, self.repetition, self.boot, self.pack_asleep]
        names = [part.what for part in parts if part is not None]
        burst = ["bursts"] if self.burst > 1 else []
        return (*names, *self.logger.what, *burst, *([] if self.pack else ["no pack voltage"]))


@dataclass(frozen=True, slots=True, eq=False)
class SoundCycle:
    """A log and what truly happened in it, on the log's clock.

    attempts : the precharges, with `time_constant_s`; sampling_s : between new values of the mapped link voltage
    """

    text: bytes
    vehicle: Vehicle
    attempts: tuple[TruthEvent, ...]
    dirt: Dirt
    sampling_s: float
    circuit: str


@dataclass(frozen=True, slots=True)
class _Story:
    """What happens: the circuit, its stages, the switches' spans [s], and the attempts on the drive's clock."""

    circuit: HighVoltage
    stages: tuple[Stage, ...]
    start_V: float
    end_s: float
    relay: tuple[tuple[float, float], ...]
    contactor: tuple[tuple[float, float], ...]
    attempts: tuple[TruthEvent, ...]
    close_fraction: float
    what: str


def sound_cycle(seed: int, *, clean: bool = False) -> SoundCycle:
    """One sound key cycle; `clean` logs the same story without dirt."""
    rng = np.random.default_rng([seed, 1301])
    story = _draw_story(rng)
    dirt = _draw_dirt(np.random.default_rng([seed, 1302]), story)
    if clean:
        dirt = Dirt(dirt.link, dirt.period_s, Sensing(), replace(dirt.states, late_s=(0.0, 0.0, 0.0)), Logger())
    text, clock = _log(np.random.default_rng([seed, 1303]), story, dirt)
    attempts = tuple(
        replace(event, start_s=clock.at(event.start_s), end_s=clock.at(event.end_s)) for event in story.attempts
    )
    sampling_s = max(
        dirt.period_s * dirt.burst,
        dirt.refresh.period_s if dirt.refresh else 0.0,
        dirt.repetition.period_s if dirt.repetition else 0.0,
        dirt.logger.grid_s,
    )
    return SoundCycle(text, _vehicle(rng, story, dirt), attempts, dirt, sampling_s, story.what)


def _draw_story(rng: np.random.Generator) -> _Story:
    tau = float(np.exp(rng.uniform(*np.log(_TIME_CONSTANT_S))))
    ohm = float(np.exp(rng.uniform(*np.log((max(20.0, tau / 3e-3), min(500.0, tau / 2e-4))))))
    circuit = HighVoltage(
        open_circuit_V=rng.uniform(90.0, 450.0),
        resistance_ohm=ohm,
        capacitance_F=tau / ohm,
        pack_ohm=rng.uniform(0.03, 0.15),
        loop_ohm=rng.uniform(0.01, 0.05),
        bleeder_ohm=max(float(np.exp(rng.uniform(*np.log(_BLEED_S)))), 100.0 * tau) / (tau / ohm),
    )
    loaded, low = rng.random() < 0.3, rng.random() < 0.3
    share = rng.uniform(*_LOADED) if loaded else _FULL
    parallel_ohm = ohm * share / (1.0 - share) if loaded else np.inf
    stages, volts, now_s = [Stage(0.0)], circuit.open_circuit_V * _start_share(rng), rng.uniform(0.8, 2.5)
    start_V, relay, contactor, attempts = volts, [], [], []
    for _ in range(2 if rng.random() < 0.3 else 1):
        charging = Stage(now_s, relay=True, parallel_ohm=parallel_ohm)
        begin_V = _link_volts(circuit, stages, start_V, now_s)
        rest_V, tau = resting_point(circuit, charging)
        most = rest_V / circuit.open_circuit_V - _LEAST_BELOW_END
        fraction = min(rng.uniform(*(_CLOSES_LOW if low else _CLOSES)), most)
        wanted_V = fraction * circuit.open_circuit_V
        waits_s = tau * log((rest_V - begin_V) / (rest_V - wanted_V)) if begin_V < wanted_V else 0.0
        close_s = now_s + waits_s + (0.0 if low else rng.uniform(0.0, 0.1))
        hands_over_s = rng.uniform(0.0, 0.02) if rng.random() < 0.4 else rng.uniform(0.05, 1.0)
        off_s = close_s + rng.uniform(2.0, 6.0)
        stages += [
            charging,
            replace(charging, start_s=close_s, contactor=True),
            replace(charging, start_s=close_s + hands_over_s, relay=False, contactor=True),
            Stage(off_s),
        ]
        relay.append((now_s, close_s + hands_over_s))
        contactor.append((close_s, off_s))
        attempts.append(
            TruthEvent(
                "precharge.complete", now_s, close_s, None,
                {"time_constant_s": tau, "start_voltage_V": begin_V, "fraction_at_start": begin_V / rest_V},
            )
        )  # fmt: skip
        now_s = off_s + rng.uniform(2.0, 5.0)
    what = ("loaded link" if loaded else "full link") + (", closes low" if low else "")
    allowed = _ALLOWED_LOW if low else _ALLOWED
    return _Story(
        circuit, tuple(stages), start_V, now_s, tuple(relay), tuple(contactor), tuple(attempts), allowed, what
    )


def _start_share(rng: np.random.Generator) -> float:
    """Of the pack's voltage: mostly a link that has bled down, sometimes one that still falls."""
    return float(rng.uniform(0.0, 0.02) if rng.random() < 0.7 else rng.uniform(0.02, 0.5))


def _link_volts(circuit: HighVoltage, stages: list[Stage], start_V: float, at_s: float) -> float:
    return solve(circuit, stages, at_s, start_V=start_V).pieces[-1].last[0]


def _draw_dirt(rng: np.random.Generator, story: _Story) -> Dirt:
    period_s = float(rng.choice(_PERIODS_S))
    first_s = story.attempts[0].start_s
    boots_s = first_s - rng.uniform(0.3, 0.7)
    repeats, bursts = rng.random() < 0.15, rng.random() < 0.2
    return Dirt(
        link=str(rng.choice(_LINKS)),
        period_s=period_s,
        sensing=draw_sensing(rng),
        states=draw_states(rng),
        logger=draw_logger(rng),
        refresh=draw_refresh(rng, period_s) if rng.random() < 0.3 else None,
        repetition=Repetition("dc_link_voltage") if repeats else None,
        boot=Boot(boots_s, readings=_BOOT_READINGS) if rng.random() < 0.3 else None,
        pack_asleep=Asleep(rng.uniform(0.0, first_s + 0.5), bool(rng.random() < 0.5)) if rng.random() < 0.5 else None,
        burst=_BURST if bursts and not repeats else 1,
        pack=bool(rng.random() < 0.8),
    )


def _log(rng: np.random.Generator, story: _Story, dirt: Dirt) -> tuple[bytes, Clock]:
    """The messages of inverter, pack and junction box, on two buses, as the logger writes them."""
    solution = solve(story.circuit, story.stages, story.end_s, start_V=story.start_V)
    grid_s = np.arange(0.0, story.end_s + _STEP_S, _STEP_S)
    trace, drawn_A = solution.sample(grid_s), _driving(rng, story, grid_s)
    sag_ohm = story.circuit.pack_ohm + story.circuit.loop_ohm
    sensed_V = dirt.sensing.reading(trace.link_V - sag_ohm * drawn_A, _STEP_S)
    link = message(dirt.link)
    ready_s = sending_times(rng, dirt.period_s, story.end_s)
    taken_s = dirt.refresh.taken_s(ready_s) if dirt.refresh else ready_s
    values = _read_once(rng, np.interp(taken_s, grid_s, sensed_V), taken_s)
    first = Sent(link, in_bursts(ready_s, dirt.burst), {"DcLinkVoltage": values})
    if dirt.boot:
        first = dirt.boot.sent(first)
    sent = [first]
    if dirt.repetition:
        sent.append(dirt.repetition.repeated(rng, first, story.end_s))
    pack_s = sending_times(rng, 0.1, story.end_s)
    monitor = Sent(
        message("Pack"),
        pack_s,
        {
            "Voltage": noisy(
                rng, np.interp(pack_s, grid_s, trace.terminal_V - story.circuit.pack_ohm * drawn_A), _NOISE_V
            ),
            "Current": noisy(rng, np.interp(pack_s, grid_s, trace.pack_A + drawn_A), _NOISE_A),
        },
    )
    monitor = dirt.pack_asleep.sent(monitor) if dirt.pack_asleep else monitor
    sent.append(monitor)
    switched = zip(story.relay, story.contactor, strict=True)
    negative = tuple((on_s - 0.2, off_s + 0.1) for (on_s, _), (_, off_s) in switched)
    sent += state_messages(rng, dirt.states, story.relay, story.contactor, negative, story.end_s)
    streams = [_stream("can1" if each is monitor else "can0", each) for each in sent]
    return dirt.logger.written(streams)


def _stream(bus: str, sent: Sent) -> Stream:
    return Stream(bus, sent.message.frame_id, False, sent.ready_s, pack(sent.message, sent.values))


def _read_once(rng: np.random.Generator, true: FloatArray, taken_s: FloatArray) -> FloatArray:
    """Readings with the sensor's noise: a reading that is sent again is the same again."""
    _, which = np.unique(taken_s, return_inverse=True)
    return true + rng.normal(0.0, _NOISE_V, int(which.max()) + 1)[which]


def _driving(rng: np.random.Generator, story: _Story, time_s: FloatArray) -> FloatArray:
    """What the inverter draws: presses of the pedal that end half a second before the contactor opens."""
    corners_s, amps = [0.0], [0.0]
    for begin_s, end_s in story.contactor:
        now = begin_s + 0.6
        while True:
            up_s, hold_s = rng.uniform(0.05, 0.5), rng.uniform(0.1, 2.0)
            if now + up_s + hold_s + 0.1 > end_s - 0.5:
                break
            level = rng.uniform(-80.0, 300.0)
            corners_s += [now, now + up_s, now + up_s + hold_s, now + up_s + hold_s + 0.1]
            amps += [0.0, level, level, 0.0]
            now = corners_s[-1] + rng.uniform(0.01, 1.0)
    return np.asarray(np.interp(time_s, corners_s, amps))


def _vehicle(rng: np.random.Generator, story: _Story, dirt: Dirt) -> Vehicle:
    """What the owner would write: R and C as bought, which are not quite what is fitted."""
    off = rng.uniform(1.0 - _PART_SHARE, 1.0 + _PART_SHARE)
    signals: dict[str, object] = {
        "dc_link_voltage": dirt.repetition.mapped if dirt.repetition else f"{dirt.link}.DcLinkVoltage",
        **dirt.states.mapped,
    }
    if dirt.pack:
        signals |= {"battery_voltage": "Pack.Voltage", "battery_current": "Pack.Current"}
    return Vehicle.model_validate(
        {
            "can": [{"definitions": [str(HAZEL_FILE), str(OTHER_FILE)]}],
            "signals": signals,
            "precharge": {
                "resistance_ohm": story.circuit.resistance_ohm * off,
                "capacitance_uF": story.circuit.capacitance_F * 1e6,
                "tolerance": _TOLERANCE,
                "close_fraction": story.close_fraction,
            },
            "dc_link": {"bleeder_ohm": story.circuit.bleeder_ohm, "discharge_limit_s": 300.0},
        }
    )
