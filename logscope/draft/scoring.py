"""How well a signal fits a part: points for its name, its unit, and what it does in the log, each with a reason.

    name       2     says plainly what it is; 1 half says it; times 0.75 where only the message's name does
               0.5   the quantity is named as well (1 for switches and states, which have no unit)
               −1    its message's name speaks of limits, faults or targets; it is named as the second of its kind
    unit       1     can be converted into the part's; 0 where there is none; else the signal is out of question
    behaviour  −2 … +2.5, see `evidence`

A name that makes it another signal (a limit, a cell, a target) rules it out. Plain additive points, common practice
with no published source: what they must do is to keep a doubtful signal from looking certain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.draft.evidence import behaviour
from logscope.draft.logged import Logged
from logscope.draft.profiles import HALF, PLAIN, PROFILES, Profile
from logscope.draft.surroundings import Surroundings
from logscope.draft.words import SUBJECTS, Word
from logscope.parts import PARTS, Role

SURE = 3.0  # a plain name and the right unit, or the right unit and what nothing else does in the log
MARGIN = 1.0  # so much better than any rival: one clear piece of evidence more
DOUBTFUL = 1.5  # worth showing: more than a unit alone
BORROWED = 0.75
SHOWN = 1.0  # one clear piece of evidence in the log
_MESSAGE_SPEAKS_OF_ELSE = frozenset({Word.LIMIT, Word.LOWEST, Word.HIGHEST, Word.FAULT, Word.TARGET})

_SPOKEN = {
    Word.LINK: "DC link", Word.HIGH_VOLTAGE: "high voltage", Word.PACK: "battery", Word.AUX: "12 V supply",
    Word.CONTACTOR: "relay or contactor", Word.POSITIVE: "main or positive",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fit:
    """A signal as a candidate for a part.

    points : their sum; reasons : for the comment in the vehicle file
    speaks : whether the signal speaks for itself: name and kind, or what it does in the log
    moves : whether it ever changes
    """

    part: str
    signal: Logged
    points: float
    reasons: tuple[str, ...]
    speaks: bool
    moves: bool


def fit(part: str, signal: Logged, around: Surroundings) -> Fit | None:
    """How well the signal fits; None where its unit or name rules it out."""
    unit = _unit_points(part, signal)
    name = _name_points(PROFILES[part], signal)
    if unit is None or name is None:
        return None
    seen = behaviour(part, signal, around)
    of_log = sum(evidence.points for evidence in seen)
    reasons = (*name[1], *unit[1], *(evidence.reason for evidence in seen))
    speaks = of_log > -SHOWN and _speaks(part, signal, name[0], of_log)
    return Fit(part, signal, unit[0] + name[0] + of_log, reasons, speaks, bool(np.ptp(signal.value) > 0))


def _speaks(part: str, signal: Logged, name: float, shown: float) -> bool:
    """Whether a signal speaks for itself, rather than being the nearest among hundreds.

    A quantity must be known as one, by its unit or its name; "Motor_ID" without a unit is no speed. Texts of
    operating states are those of any device, so the name must say which.
    """
    profile = PROFILES[part]
    of_kind = bool(signal.unit) or (profile.supports is not None and profile.supports in signal.sense.own)
    named = name >= PLAIN * BORROWED
    match PARTS[part].role:
        case Role.QUANTITY:
            hinted = bool(signal.unit) and profile.supports in signal.sense.own
            by_itself = not signal.sense.subjects and not profile.by_name
            hinted &= name >= HALF or by_itself  # "RPM" of an inverter, or of a console that names nothing else
            return of_kind and (named or hinted or shown >= SHOWN)
        case Role.STATE | Role.FAULT:
            return named or shown >= SHOWN
        case _:
            return _subject_points(profile, signal)[0] > 0 and (named or shown >= SHOWN)


def _unit_points(part: str, signal: Logged) -> tuple[float, tuple[str, ...]] | None:
    info = PARTS[part]
    if info.role is not Role.QUANTITY:
        # A pump may be logged by its duty; no other switch or state has a unit.
        return (0.0, ()) if not signal.unit or (part == "coolant_pump" and signal.unit == "%") else None
    if not signal.unit:
        return (-1.0, ("its texts are those of a switch",)) if signal.spec.choices else (0.0, ("no unit",))
    if signal.as_part(part) is None:
        return None
    return 1.0, (f"in {signal.unit}",)


def _name_points(profile: Profile, signal: Logged) -> tuple[float, tuple[str, ...]] | None:
    sense = signal.sense
    if sense.silent:
        return None if profile.by_name else (0.0, ("its name gives no hint",))
    if (sense.own - SUBJECTS | sense.subjects) & profile.forbids or not profile.needs <= sense.own:
        return None
    points, said = _subject_points(profile, signal)
    if profile.by_name and profile.subjects and not said:
        return None
    if profile.supports is not None and profile.supports in sense.own:
        points += 0.5 if signal.unit else 1.0
        said.append(_spoken(profile.supports))
    whose = "its name with that of its message" if sense.borrowed and said else "its name"
    reasons = [f"{whose} says {' and '.join(said) or 'nothing of it'}"]
    if sense.message & _MESSAGE_SPEAKS_OF_ELSE - profile.needs and profile.supports not in sense.message:
        points -= 1.0
        reasons.append("its message is about something else")
    if Word.SECOND in sense.own:
        points -= 1.0
        reasons.append("named as the second")
    return points, tuple(reasons)


def _subject_points(profile: Profile, signal: Logged) -> tuple[float, list[str]]:
    sense = signal.sense
    spoken = [(points, word) for word, points in profile.subjects.items() if word in sense.subjects]
    if not spoken:
        return 0.0, []
    points, word = max(spoken, key=lambda pair: pair[0])
    return points * (BORROWED if sense.borrowed else 1.0), [_spoken(word)]


def _spoken(word: Word) -> str:
    return _SPOKEN.get(word, word.name.lower().replace("_", " "))
