"""How well the check of the buses does: simulated buses with arbitration, logged as real loggers do.

    python tests/diagnosis/bus_score.py 5 [--first 100] [--only restart] [--logger batches] [--all]

prints for each fault how often it was found and named, what else was claimed, and for sound buses every claim that is
not one of `ALLOWED`; and for each bit rate how often it was inferred rightly, wrongly, or left open.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "bus"))

from bus_frames import Frame, columns
from bus_traffic import LOGGERS, Bus, Message, Node, play, requests_beside

from logscope.bus.bit_rate import BitRate, Source, bit_rate_of
from logscope.bus.gather import BusGathering
from logscope.bus.naming import specs_by_key
from logscope.bus.record import BusRecord
from logscope.capture.frames import Flag
from logscope.checks.bus.check import bus as check_bus
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.findings import Finding, Severity
from logscope.observations.observations import Observations
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

# What may be said of a sound bus: its load, what the logger lost, nodes that are switched off on purpose.
ALLOWED = {"bus.load", "bus.log_incomplete", "bus.node_absent"}
_HIGH_S, _PERIOD_S = 3.0, 10.0  # current flows for so long in so many seconds
_CONTACTOR_S = (4.0, 6.0, 8.5, 14.0, 16.0, 18.0, 24.0, 27.0)
_IDENTIFIERS = (
    (0x0A0, 0x0A1, 0x120, 0x2A0, 0x2B4),
    (0x1C0, 0x1C4, 0x330, 0x4C1),
    (0x1D0, 0x310, 0x318, 0x5F0),
    (0x200, 0x340, 0x341),
)
_PERIODS = (0.01, 0.01, 0.02, 0.1, 0.1), (0.02, 0.1, 0.1, 0.5), (0.02, 0.1, 0.2, 1.0), (0.05, 0.1, 0.1)


@dataclass(frozen=True)
class Case:
    """A bus with what is wrong; kind : what should be found, None for a sound one; cause : of it, None for any.

    said : what may be said for information besides
    """

    bus: Bus
    kind: str | None = None
    cause: str | None = None
    sent_by_logger: int | None = None
    said: str = ""
    frames: Callable[[list[Frame], np.random.Generator], list[Frame]] | None = None


def _nodes(bit_rate: int, rng: np.random.Generator) -> tuple[Node, ...]:
    """Four controllers and something on events; slow buses have longer periods."""
    slower = max(1.0, 250_000 / bit_rate)
    nodes = [
        Node(
            f"node {k}",
            tuple(Message(i, p * slower, plain=k == 2) for i, p in zip(identifiers, periods, strict=True)),
            ppm=float(rng.normal(0, 40)),
        )
        for k, (identifiers, periods) in enumerate(zip(_IDENTIFIERS, _PERIODS, strict=True))
    ]
    events = (Message(0x090, None, 3, 0.3), Message(0x700, None, 8, 1.5, plain=True))
    return (*nodes, Node("events", events))


def cases(seed: int) -> Iterator[tuple[str, Case]]:
    """The buses by name."""
    rng = np.random.default_rng([seed, 1])

    def bus(bit_rate: int = 500_000, seconds: float = 30.0) -> Bus:
        return Bus(_nodes(bit_rate, rng), bit_rate, seconds, seed=seed)

    def with_node(k: int, **changes: object) -> Bus:
        made = bus()
        nodes = list(made.nodes)
        nodes[k] = replace(nodes[k], **changes)  # type: ignore[arg-type]
        return replace(made, nodes=tuple(nodes))

    for rate in (83_333, 250_000, 500_000):
        yield f"sound {rate}", Case(bus(rate))
    yield "sound requests", Case(bus(), sent_by_logger=0x340)
    yield "sound asleep", Case(_falling_asleep(bus()))
    yield "sound charger", Case(with_node(1, off=((8.0, 20.0),), keeps=True))
    yield "sound gateway", Case(bus(seconds=60.0), said="bus.two_senders", frames=_copied)
    yield "sound merged", Case(bus(seconds=60.0), said="bus.two_senders", frames=_merged(bus(seconds=60.0), seed))
    off = float(rng.uniform(8, 15))
    yield "late", Case(with_node(0, late=0.004, first=0x120), "bus.message_late")
    yield "frozen", Case(with_node(0, frozen=((off, off + 3.0),), first=0x0A1), "bus.frozen")
    yield "restart", Case(with_node(0, off=((off, off + 1.2),)), "bus.node_restart")
    yield "absent", Case(with_node(1, off=((off, 30.0),)), "bus.node_absent")
    yield "missing", Case(with_node(0, drops=0.02, first=0x0A1), "bus.message_missing")
    made = bus(seconds=60.0)
    apart = float(rng.uniform(40, 120) * rng.choice([-1, 1]))  # clocks nearer to each other do not show within a minute
    second = Node("second", (Message(0x1D0, 0.02, plain=True),), ppm=made.nodes[2].ppm + apart)
    yield "two senders", Case(replace(made, nodes=(*made.nodes, second)), "bus.two_senders")
    yield "checksum", Case(with_node(0, wrong_sums=0.012), "bus.checksum")
    yield "errors current", Case(replace(bus(), errors=_errors(rng, 40, _while_current)), "bus.error_frames", "current")
    yield (
        "errors switching",
        Case(replace(bus(), errors=_errors(rng, 12, _at_switching)), "bus.error_frames", "switching"),
    )
    yield "errors anytime", Case(replace(bus(), errors=_errors(rng, 60, _anytime)), "bus.error_frames", "undetermined")
    yield "passive", Case(bus(), "bus.error_frames", "no_acknowledge", frames=_passive)


def _copied(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
    """A gateway repeats a message on the same bus at its own pace, with what it heard last."""
    heard = [frame for frame in frames if frame.identifier == 0x1D0]
    apart = 1.0 + float(rng.uniform(40, 120) * rng.choice([-1, 1])) * 1e-6
    times = np.arange(heard[0].time_s + float(rng.uniform(2e-3, 15e-3)), heard[-1].time_s, 0.02 * apart)
    last = np.searchsorted([frame.time_s for frame in heard], times) - 1
    copies = [replace(heard[k], time_s=float(t)) for k, t in zip(last.tolist(), times, strict=True)]
    return sorted([*frames, *copies], key=lambda frame: frame.time_s)


def _merged(other: Bus, seed: int) -> Callable[[list[Frame], np.random.Generator], list[Frame]]:
    """A second vehicle bus with the same identifiers, whose controllers have clocks of their own, under one name."""

    def merged(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
        apart = [float(rng.uniform(40, 120) * rng.choice([-1, 1])) for _ in other.nodes]
        nodes = tuple(replace(node, ppm=node.ppm + by) for node, by in zip(other.nodes, apart, strict=True))
        second = play(replace(other, nodes=nodes, seed=seed + 5000))
        return sorted([*frames, *second], key=lambda frame: frame.time_s)

    return merged


def _falling_asleep(bus: Bus) -> Bus:
    """Nodes stop one after the other, and the log goes on with the last of them."""
    nodes = [replace(node, off=((15.0 + 3.0 * k, bus.seconds),)) for k, node in enumerate(bus.nodes)]
    nodes[-1] = bus.nodes[-1]
    return replace(bus, nodes=tuple(nodes))


def _while_current(rng: np.random.Generator) -> float:
    return _PERIOD_S * int(rng.integers(0, 3)) + float(rng.uniform(0, _HIGH_S))


def _at_switching(rng: np.random.Generator) -> float:
    return float(rng.choice(_CONTACTOR_S)) + float(rng.uniform(0, 0.15))


def _anytime(rng: np.random.Generator) -> float:
    return float(rng.uniform(0, 30))


def _errors(
    rng: np.random.Generator, count: int, when: Callable[[np.random.Generator], float]
) -> tuple[tuple[float, int], ...]:
    return tuple(sorted((when(rng), int(rng.integers(1, 12))) for _ in range(count)))


def _passive(frames: list[Frame], rng: np.random.Generator) -> list[Frame]:
    """The logger's frames are not acknowledged for two seconds: its transmit counter rises by 8 to 128 and stays."""
    start = float(rng.uniform(5, 20))
    own = [
        Frame(
            start + 1e-3 * k,
            0x220,
            bytes([0, 0x20 if k >= 16 else 8 * (k == 12), 0, 0, 0, 0, min(8 * k, 128), 0]),
            Flag.ERROR,
        )
        for k in range(1, 200)
    ]
    back = Frame(start + 2.0, 0x204, bytes([0, 0x40, 0, 0, 0, 0, 95, 0]), Flag.ERROR)
    return sorted([*frames, *own, back], key=lambda frame: frame.time_s)


def signals(seconds: float) -> Signals:
    """Motor and pack in use, current in stretches, a contactor that switches now and then."""
    time_s = np.arange(0, seconds, 0.05)
    amps = np.where(time_s % _PERIOD_S < _HIGH_S, 150.0, 6.0) + 0.3 * np.sin(7 * time_s)
    closed = np.searchsorted(_CONTACTOR_S, time_s) % 2 == 1
    return Signals(
        {
            "battery_current": Part("battery_current", time_s, amps, "A", "Pack.Current"),
            "motor_speed": Part(
                "motor_speed", time_s, np.full(time_s.size, 1500.0), "rpm", "InverterMotion.MotorSpeed"
            ),
            "main_contactor": Part("main_contactor", time_s, closed * 1.0, "", "Junction.Main", on=closed),
        },
        0.0,
        seconds,
    )


def findings(case: Case, frames: list[Frame]) -> tuple[list[Finding], BitRate]:
    """What is found in a log, and the bit rate."""
    gathering = BusGathering()
    for k in range(0, len(frames), 5000):
        gathering.add(columns(frames[k : k + 5000]))
    traffic = gathering.traffic()
    record = BusRecord(traffic, traffic.start_ns, _SPECS)
    of = signals(case.bus.seconds)
    found = check_bus(of, Observations(of, Vehicle(), record), Vehicle())
    return found, bit_rate_of(traffic.buses[0])


_SPECS = specs_by_key(
    [
        (
            None,
            (
                MessageSpec(
                    "InverterMotion", 0x0A0, False, 8, (SignalSpec("MotorSpeed", 0, 16),), senders=("Inverter",)
                ),
            ),
        )
    ]
)


def main() -> None:
    """Print the score."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", default="")
    parser.add_argument("--logger", default="")
    parser.add_argument("--all", action="store_true", help="every logger, not three for each bus")
    given = parser.parse_args()
    tally: dict[str, Counter[str]] = defaultdict(Counter)
    rates: dict[str, Counter[str]] = defaultdict(Counter)
    for seed in range(given.first, given.first + given.seeds):
        for name, case in cases(seed):
            if given.only not in name:
                continue
            wire = play(case.bus)
            for logger in LOGGERS:
                if given.logger in logger and (given.all or given.logger or logger in _some(seed, name)):
                    found, rate = findings(case, logged(case, wire, logger, seed))
                    tally[name] += verdicts(case, found, f"{logger}/{seed}")
                    rates[logger][_verdict(rate, case.bus.bit_rate)] += 1
    for name, counts in tally.items():
        print(f"{name:20}", ", ".join(f"{what} {count}" for what, count in counts.most_common()))
    for logger, counts in rates.items():
        print(f"rate, {logger:16}", dict(counts))


def logged(case: Case, wire: list[Frame], logger: str, seed: int) -> list[Frame]:
    """The log that a logger keeps of a bus."""
    rng = np.random.default_rng([seed, 2])
    frames = case.frames(wire, rng) if case.frames else wire
    frames = LOGGERS[logger](frames, rng)
    return frames if case.sent_by_logger is None else requests_beside(frames, case.sent_by_logger)


def _some(seed: int, name: str) -> set[str]:
    """Three of the loggers, others for each bus and seed."""
    return set(np.random.default_rng([seed, *name.encode()]).choice(list(LOGGERS), 3, replace=False).tolist())


def _verdict(rate: BitRate, truth: int) -> str:
    if rate.source is Source.UNKNOWN:
        return "open"
    return "right" if rate.value == truth else f"wrong {rate.value} for {truth}"


def verdicts(case: Case, found: list[Finding], where: str) -> Counter[str]:
    """How often the fault was found, and what was claimed besides."""
    counts = Counter({"logs": 1})
    for finding in found:
        severe = finding.severity.rank >= Severity.WARNING.rank
        if finding.kind == case.kind:
            named = case.cause is None or finding.cause == case.cause
            counts["found" if named else f"found with cause {finding.cause}"] += 1
        elif finding.kind not in ALLOWED | {case.said} or severe:
            counts[f"FALSE {finding.kind} [{where}: {finding.title}]"] += 1
    return counts


if __name__ == "__main__":
    main()
