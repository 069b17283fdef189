"""All signs, and those that the findings of a log show."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from logscope.diagnosis.signs import charging, cooling, drive, high_voltage, log, low_voltage
from logscope.diagnosis.signs.sign import Sign
from logscope.findings import Finding

_SUBJECTS = (high_voltage, drive, cooling, low_voltage, charging, log)
SIGNS: tuple[Sign, ...] = tuple(sign for subject in _SUBJECTS for sign in subject.SIGNS)


@dataclass(frozen=True, slots=True)
class Observed:
    """The signs of a log: which findings show each of those seen (indices), and those absent though looked for."""

    seen: Mapping[str, tuple[int, ...]]
    absent: frozenset[str]


def observe(findings: Sequence[Finding], logged: Collection[str]) -> Observed:
    """The signs that findings show; `logged` names the parts that the checks could use."""
    seen: dict[str, tuple[int, ...]] = {}
    absent: set[str] = set()
    for sign in SIGNS:
        showing = tuple(index for index, finding in enumerate(findings) if sign.shown.by(finding, findings))
        if showing:
            seen[sign.name] = showing
        elif set(sign.parts) <= set(logged) and sign.shown.absent_from(findings):
            absent.add(sign.name)
    return Observed(seen, frozenset(absent))
