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
from logging_dirt.link_dirt import LinkDirt, draw_link_dirt, without
from logging_dirt.link_log import Played, grid, link_vehicle, log_link

from logscope.arrays import FloatArray
from logscope.simulate.circuits import HighVoltage, Stage, resting_point, solve
from logscope.simulate.truth import TruthEvent
from logscope.vehicle import Vehicle

_TIME_CONSTANT_S = (0.03, 1.0)
_PART_SHARE = 0.1  # by which R·C may differ from what the vehicle file says
_TOLERANCE = 0.2
_LOADED, _FULL = (0.962, 0.98), 1.0  # where the curve ends, as a share of the pack, with and without a load
_CLOSES, _CLOSES_LOW = (0.955, 0.995), (0.912, 0.93)
_LEAST_BELOW_END = 0.002  # of the pack, by which the closing lies below the end of the curve
_ALLOWED, _ALLOWED_LOW = 0.95, 0.90  # `close_fraction` of the vehicle file in either case
_BLEED_S = (10.0, 60.0)


@dataclass(frozen=True, slots=True, eq=False)
class SoundCycle:
    """A log and what truly happened in it, on the log's clock.

    attempts : the precharges, with `time_constant_s`; circuit : its kind
    """

    text: bytes
    vehicle: Vehicle
    attempts: tuple[TruthEvent, ...]
    dirt: LinkDirt
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
    dirt = draw_link_dirt(np.random.default_rng([seed, 1302]), story.attempts[0].start_s)
    dirt = without(dirt) if clean else dirt
    log_rng = np.random.default_rng([seed, 1303])
    text, clock = log_link(log_rng, _played(log_rng, story), dirt)
    attempts = tuple(
        replace(event, start_s=clock.at(event.start_s), end_s=clock.at(event.end_s)) for event in story.attempts
    )
    return SoundCycle(text, link_vehicle(dirt, _sections(rng, story)), attempts, dirt, story.what)


def _played(rng: np.random.Generator, story: _Story) -> Played:
    switched = zip(story.relay, story.contactor, strict=True)
    return Played(
        solve(story.circuit, story.stages, story.end_s, start_V=story.start_V),
        story.end_s,
        story.relay,
        story.contactor,
        [(on_s - 0.2, off_s + 0.1) for (on_s, _), (_, off_s) in switched],
        _driving(rng, story, grid(story.end_s)),
    )


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


def _sections(rng: np.random.Generator, story: _Story) -> dict[str, dict[str, object]]:
    """What the owner would write: R and C as bought, which are not quite what is fitted."""
    off = rng.uniform(1.0 - _PART_SHARE, 1.0 + _PART_SHARE)
    return {
        "precharge": {
            "resistance_ohm": story.circuit.resistance_ohm * off,
            "capacitance_uF": story.circuit.capacitance_F * 1e6,
            "tolerance": _TOLERANCE,
            "close_fraction": story.close_fraction,
        },
        "dc_link": {"bleeder_ohm": story.circuit.bleeder_ohm, "discharge_limit_s": 300.0},
    }
