"""How the states of relay and contactors reach a log: in one message, each in its own, or as one enumeration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from logging_dirt.definitions import message
from logscope.arrays import FloatArray
from logscope.simulate.hazel_bus import Sent
from logscope.simulate.sampling import sending_times

Spans = Sequence[tuple[float, float]]

_PERIOD_S = 0.1  # the production cars all send their states at 10 Hz
_LATE_S = 0.03  # the most by which a controller's own cycle delays a state, beside the wait for its message (judgement)


class Reporting(Enum):
    """Which messages carry the states."""

    TOGETHER = "states together"
    APART = "states apart at 10 Hz"
    ENUMERATION = "states in one enumeration"


_MAPPED: dict[Reporting, dict[str, dict[str, object]]] = {
    Reporting.TOGETHER: {
        "precharge_relay": {"signal": "Junction.PrechargeRelay", "on": [1, "Closed"]},
        "main_contactor": {"signal": "Junction.MainContactor", "on": [1, "Closed"]},
        "negative_contactor": {"signal": "Junction.NegativeContactor", "on": [1, "Closed"]},
    },
    Reporting.APART: {
        "precharge_relay": {"signal": "RelayState.PrechargeRelay", "on": [1, "Closed"]},
        "main_contactor": {"signal": "ContactorState.MainContactor", "on": [1, "Closed"]},
        "negative_contactor": {"signal": "NegativeState.NegativeContactor", "on": [1, "Closed"]},
    },
    Reporting.ENUMERATION: {
        "precharge_relay": {"signal": "HighVoltageState.State", "on": ["Precharge"]},
        "main_contactor": {"signal": "HighVoltageState.State", "on": ["Closed"]},
        "negative_contactor": {"signal": "HighVoltageState.State", "on": ["Precharge", "Closed"]},
    },
}
_OWN_MESSAGES = (
    ("RelayState", "PrechargeRelay"), ("ContactorState", "MainContactor"), ("NegativeState", "NegativeContactor"),
)  # fmt: skip
_OFF, _PRECHARGE, _CLOSED = 0.0, 1.0, 2.0


@dataclass(frozen=True, slots=True)
class States:
    """The reporting, its period [s], and how late relay, contactor and negative contactor are, each by itself [s]."""

    reporting: Reporting = Reporting.APART
    period_s: float = _PERIOD_S
    late_s: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def what(self) -> str:
        """Its name in a table."""
        return self.reporting.value

    @property
    def mapped(self) -> dict[str, dict[str, object]]:
        """The lines of the vehicle file, by part."""
        return _MAPPED[self.reporting]


def draw_states(rng: np.random.Generator) -> States:
    """One of the reportings at 10 Hz; those of one controller are equally late."""
    reporting = list(Reporting)[rng.integers(len(Reporting))]
    late_s = rng.uniform(0.0, _LATE_S, 3)
    if reporting is not Reporting.APART:
        late_s[:] = late_s[0]
    return States(reporting, _PERIOD_S, (float(late_s[0]), float(late_s[1]), float(late_s[2])))


def state_messages(
    rng: np.random.Generator, states: States, relay: Spans, contactor: Spans, negative: Spans, end_s: float
) -> list[Sent]:
    """The messages until `end_s`, from the spans in which each switch was closed."""

    def times() -> FloatArray:
        return sending_times(rng, states.period_s, end_s)

    spans = (relay, contactor, negative)
    if states.reporting is Reporting.APART:
        sent = []
        for (name, signal), span, late_s in zip(_OWN_MESSAGES, spans, states.late_s, strict=True):
            ready_s = times()
            sent.append(Sent(message(name), ready_s, {signal: closed(ready_s - late_s, span)}))
        return sent
    ready_s = times()
    on = [closed(ready_s - late_s, span) for span, late_s in zip(spans, states.late_s, strict=True)]
    if states.reporting is Reporting.ENUMERATION:
        state = np.select([on[1] > 0, on[0] > 0], [_CLOSED, _PRECHARGE], _OFF)
        return [Sent(message("HighVoltageState"), ready_s, {"State": state})]
    values = dict(zip(("PrechargeRelay", "MainContactor", "NegativeContactor"), on, strict=True))
    return [Sent(message("Junction"), ready_s, values)]


def closed(time_s: FloatArray, spans: Spans) -> FloatArray:
    """1 at the moments within the spans, else 0."""
    inside = np.zeros(time_s.size)
    for begin_s, end_s in spans:
        inside[(time_s >= begin_s) & (time_s < end_s)] = 1.0
    return inside
