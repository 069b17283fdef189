"""One dropout of a contactor, and the current that flowed before it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.checks.contactors.switching_history import SwitchingHistory, current_between, load_level
from logscope.findings import Measured
from logscope.signals import Part

# A key turned off and on takes longer, precharge included (common practice, no published source).
DROPOUT_S = 2.0
BEFORE_S = 0.5  # in which current must flow, and the link stand with the pack


@dataclass(frozen=True, slots=True)
class Drop:
    """One dropout. low_v, high_v : the lowest and highest link voltage in it, None where not logged.

    lifted : whether the link rose off the pack instead of falling away from it
    """

    start_s: float
    end_s: float
    shown_by: str
    current: Measured | None
    low_v: float | None
    high_v: float | None
    lifted: bool = False


def load_part(history: SwitchingHistory) -> Part | None:
    """The current that shows a load: the pack's, or else the motor's."""
    return history.signals.get("battery_current") or history.signals.get("motor_current")


def measured_current(source: str, current: Measured) -> dict[str, Measured]:
    """A current under its name: only that of the pack flows through the contactor. source : the part that it is of."""
    if source == "motor_current":
        return {"current_A": Measured(None, "A"), "motor_current_A": current}
    return {"current_A": current}


def current_before(history: SwitchingHistory, at_s: float) -> Measured | None:
    """The range of the current's magnitude just before a time [A]; its largest sample as value, for it ends there."""
    part = load_part(history)
    if part is None:
        return None
    around = current_between(part, at_s - BEFORE_S - part.period_s, at_s)
    seen = np.abs(part.value[part.between(at_s - BEFORE_S - part.period_s, at_s)])
    return None if around is None or not seen.size else replace(around, value=float(seen.max()), low=float(seen.min()))


def is_load(history: SwitchingHistory, current: Measured) -> bool:
    """Whether a current is beyond noise and auxiliaries."""
    part = load_part(history)
    return part is not None and (current.high or 0.0) > load_level(part)
