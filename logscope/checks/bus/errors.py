"""The error frames of a bus: what they say of the logger's controller, when they come, and what that points to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.bus.error_frames import ErrorStory, State, class_counts, story_of
from logscope.bus.facts import BusFacts
from logscope.checks.assemble import assemble
from logscope.checks.bus.context import Context
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Finding, Measured, Severity
from logscope.quantities import counted
from logscope.signals import Part
from logscope.statistics.rates import Estimate, rate_ratio

_SWITCHES = ("main_contactor", "negative_contactor", "precharge_relay")
_CURRENTS = ("motor_current", "battery_current")
_AROUND_S = 0.3  # of a switching: a state is logged up to so much late
_HIGH = 0.5  # of the 98 % quantile of the current: above, it counts as high
_LEAST_RATIO = 2.0  # lower limit of the ratio of rates, from which current or switching is named: well beyond chance
_FEWEST_BURSTS = 5  # while the current is high, or at switchings
_FEWEST_S = 5.0  # of time on either side, for a rate to mean something
_CARRYING_A = 20.0  # a current that disturbs anything
_SHORTEST_S = 0.1  # of a high current: shorter moments are where it passes through
_EVENTS = 200  # listed one by one; more is a list nobody reads
_NO_ACK = 0.5  # of the error frames, from which the missing acknowledgement is the story
_FEW = 10  # error frames: what plugging in a logger may cause
_OFTEN = 1e-3  # of all frames: a sound bus has far fewer (common practice, no published source)
_BITS_OFF = (
    "With power off, measure the resistance between CAN-H and CAN-L: 60 Ω with both terminations, 120 Ω with one. "
    "Check that all devices use the same bit rate, then stubs, plugs and the ground between devices."
)
_SHIELD = (
    "Check the plugs of the bus, route it away from motor and pack cables, twist CAN-H with CAN-L, bond its shield at "
    "one end, and check the ground of the devices and of the inverter's cable shields. With power "
    "off, measure 60 Ω between CAN-H and CAN-L."
)
_ACKNOWLEDGE = (
    "Check that another node is powered and not only listening, that both wires reach it, and that the bit rates "
    "agree; measure 60 Ω between CAN-H and CAN-L with power off."
)


@dataclass(frozen=True, slots=True)
class _Origin:
    """What the errors go with: cause, how many times as often then, and the next step."""

    cause: str
    sentence: str
    step: str
    ratio: Estimate | None = None


def error_frames(bus: BusFacts, context: Context) -> list[Finding]:
    """One finding on all error frames of a bus, or none where there are none that concern it."""
    story = story_of(bus.errors, max(bus.last_ns if bus.frames else 0, int(bus.errors.end_ns.max(initial=0))))
    if not story.disturbing and not story.episodes:
        return []
    record = context.record
    states = [(record.seconds(each.start_ns), record.seconds(each.end_ns)) for each in story.episodes]
    bursts = (story.bursts_ns - record.start_ns) / 1e9
    origin = _origin(story, bus, bursts, context)
    grave = bool(states) or (story.disturbing > _FEW and story.disturbing > _OFTEN * bus.frames)
    words = Words(
        title=f"Bus {bus.name}: {_title(story)}",
        explanation=" ".join(filter(None, [_classes(bus, story), _counters(story), origin.sentence])),
        next_step=origin.step,
        hands_near_hv=False,
        method=(
            "Classes: Linux can/error.h. A failed transmission adds 8 to the transmit counter, a success takes 1 off, "
            "so it rises where more than one in nine fails; a receive error adds 1. From 128 on a controller is error "
            "passive, above 255 it leaves the bus (ISO 11898-1). Counters and states are those of the logger's own "
            "controller; error frames within 0.1 s count as one burst."
            + (
                f" They are too many to keep: all are counted, but moments, states and what they go with are known up "
                f"to {seconds(record.seconds(story.until_ns))} only."
                if bus.errors.until_ns is not None
                else ""
            )
        ),
    )
    measured = {
        "count": Measured(float(story.disturbing), ""),
        "burst_count": Measured(float(bursts.size), ""),
        "error_frame_percent": Measured(100.0 * story.disturbing / max(bus.frames + story.disturbing, 1), "%"),
    }
    if story.transmit_counter is not None and story.receive_counter is not None:
        measured["transmit_error_count"] = Measured(float(story.transmit_counter), "")
        measured["receive_error_count"] = Measured(float(story.receive_counter), "")
    if states:
        measured["longest_s"] = Measured(max(end - start for start, end in states), "s")
    if (ratio := origin.ratio) is not None:
        measured["rate_ratio"] = Measured(_finite(ratio.value), "", ratio.low, _finite(ratio.high))
    spans = (states or [(moment, moment) for moment in bursts.tolist()])[:_EVENTS]
    severity = Severity.WARNING if grave else Severity.INFO
    parts = tuple(name for name in (*_CURRENTS, *_SWITCHES) if name in context.signals.parts) if origin.ratio else ()
    return [assemble("bus.error_frames", severity, words, spans, measured, parts, cause=origin.cause, counted=True)]


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _title(story: ErrorStory) -> str:
    off = [each for each in story.episodes if each.state is State.OFF]
    passive = [each for each in story.episodes if each.state is State.PASSIVE]
    if off:
        return f"bus off {times(len(off))}, the logger's controller stopped sending"
    frames = counted(story.disturbing, "error frame")
    if passive:
        longest = max((each.end_ns - each.start_ns) / 1e9 for each in passive)
        open_end = "" if all(each.ended for each in passive) else ", its end not logged"
        how = seconds(longest) if longest > 0 else "an unknown time"
        return f"error passive {times(len(passive))}, up to {how}{open_end}; {frames}"
    return f"{frames} in {counted(story.bursts_ns.size, 'burst')}"


def _classes(bus: BusFacts, story: ErrorStory) -> str:
    classes = ", ".join(f"{name} {count}" for name, count in class_counts(bus.errors).items())
    kinds = ", ".join(f"{name} {count}" for name, count in story.violations.items())
    return f"Classes: {classes}{f' (of these {kinds})' if kinds else ''}."


def _counters(story: ErrorStory) -> str:
    if story.transmit_counter is None or story.receive_counter is None:
        return ""
    highest = f"Highest error counters: transmit {story.transmit_counter}, receive {story.receive_counter}"
    if story.transmit_counter > story.receive_counter:
        return f"{highest}: what the logger itself sends fails."
    if story.receive_counter > story.transmit_counter:
        return f"{highest}: frames of others arrive damaged."
    return f"{highest}."


def _origin(story: ErrorStory, bus: BusFacts, bursts: FloatArray, context: Context) -> _Origin:
    if story.no_acknowledge >= _NO_ACK * max(story.disturbing, 1):
        return _Origin("no_acknowledge", "No other node acknowledges what the logger sends.", _ACKNOWLEDGE)
    for cause, during, known in (_under_current(context), _at_switching(context)):
        ratio = _more_often(bursts, during, (known[0], min(known[1], context.record.seconds(story.until_ns))))
        if ratio is not None:
            when = "while the current is high" if cause == "current" else "around switchings of contactors and relays"
            often = f"{number(ratio.value)} times as often" if np.isfinite(ratio.value) else "only"
            loose = " or a plug that moves while driving" if cause == "current" else ""
            return _Origin(cause, f"They come {often} {when}: interference{loose}.", _SHIELD, ratio)
    if not bus.frames:
        return _Origin("bit_rate", "Not one frame was received: the logger's bit rate may be wrong.", _BITS_OFF)
    return _Origin("undetermined", "They go with neither current nor switching, as far as these are logged.", _BITS_OFF)


def _under_current(context: Context) -> tuple[str, list[tuple[float, float]], tuple[float, float]]:
    """When the current was high, and the span in which it is logged."""
    part = next((found for name in _CURRENTS if (found := context.signals.get(name)) is not None), None)
    if part is None or part.time_s.size < 2:
        return "current", [], (0.0, 0.0)
    amps = np.abs(part.value)
    high = amps > max(_HIGH * float(np.quantile(amps, 0.98)), _CARRYING_A)
    return "current", _stretches(part, high), (float(part.time_s[0]), float(part.time_s[-1]))


def _stretches(part: Part, high: BoolArray) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], high.astype(np.int8), [0]))))
    last = part.time_s.size - 1
    return [
        (float(part.time_s[start]), float(part.time_s[min(end, last)]))
        for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
        if part.time_s[min(end, last)] - part.time_s[start] >= _SHORTEST_S
    ]


def _at_switching(context: Context) -> tuple[str, list[tuple[float, float]], tuple[float, float]]:
    """Around the switchings, and the span in which any state is logged."""
    parts = [p for name in _SWITCHES if (p := context.signals.get(name)) is not None and p.on is not None]
    if not parts:
        return "switching", [], (0.0, 0.0)
    moments = sorted(
        float(moment)
        for part in parts
        if part.on is not None
        for moment in part.time_s[1:][part.on[1:] != part.on[:-1]]
    )
    spans: list[tuple[float, float]] = []
    for moment in moments:
        if spans and moment - _AROUND_S <= spans[-1][1]:
            spans[-1] = (spans[-1][0], moment + _AROUND_S)
        else:
            spans.append((moment - _AROUND_S, moment + _AROUND_S))
    return "switching", spans, (min(float(p.time_s[0]) for p in parts), max(float(p.time_s[-1]) for p in parts))


def _more_often(bursts: FloatArray, during: list[tuple[float, float]], known: tuple[float, float]) -> Estimate | None:
    """The rate within some spans over that outside of them, where it is clearly higher.

    known : the span in which both are known
    """
    during = [(max(start, known[0]), min(end, known[1])) for start, end in during]
    during = [(start, end) for start, end in during if end > start]
    inside = bursts[(bursts >= known[0]) & (bursts <= known[1])]
    exposed = sum(end - start for start, end in during)
    rest = known[1] - known[0] - exposed
    if not during or rest < _FEWEST_S:
        return None
    count = sum(int(np.count_nonzero((inside >= start) & (inside <= end))) for start, end in during)
    if count < _FEWEST_BURSTS:
        return None
    ratio = rate_ratio(count, exposed, inside.size - count, rest)
    return ratio if ratio.low > _LEAST_RATIO else None
