"""What findings on a scale say."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.findings import Finding, Measured, Severity
from logscope.parts import part_name, part_title
from logscope.plausibility.name import line_of, place_of
from logscope.plausibility.slips import Slip
from logscope.plausibility.ties import Broken, Suspect, Tie, in_file
from logscope.signals import Signals
from logscope.vehicle import Vehicle

_UNSURE = (
    "The likely cause is a scale or unit in the vehicle file or in the signal's definition. Checks that need a "
    "doubtful part are listed under “not checked”."
)
_PULSES = " A wrong number of encoder pulses per revolution in the inverter's settings looks the same."
_GEAR = " So does another gear than that of the configured ratio."
_STALLED = " If both scales are right, precharge stalls there, far below the pack voltage, and the link is live."
_LINKS = ("dc_link_voltage", "dc_link_voltage_second")
_COUNTED = (2.0, 0.5, 4.0, 0.25)  # edges counted differently from the configuration; gears lie as far apart


def slip_finding(broken: Broken, signals: Signals, vehicle: Vehicle) -> Finding:
    """One slip explains everything: whose it is, or whose it may be."""
    parts = [suspect for suspect in broken.suspects if not suspect.in_file]
    lead = min(broken.ties, key=lambda tie: tie.highest / tie.lowest)
    first = (parts or broken.suspects)[0]
    slip = first.slips[0]
    facts = "; ".join(dict.fromkeys(_fact(tie) for tie in broken.ties))
    others = [_name(suspect.name) for suspect in broken.suspects if suspect is not first]
    rivals = " or ".join([_name(first.name), *others])
    open_ = f" This log does not show whether {rivals} is wrong." if others else ""
    return Finding(
        kind="mapping.scale",
        severity=Severity.WARNING,
        start_s=lead.start_s,
        end_s=max(tie.end_s for tie in broken.ties),
        title=_title(broken.suspects, first, slip),
        explanation=f"{facts}. {_fits(first, slip)}{open_} {_UNSURE}{_alternatives(first, slip, others, facts)}",
        next_step=" ".join(_cure(suspect, signals, vehicle) for suspect in broken.suspects),
        parts=_charted(first.name, lead, signals),
        measured={"ratio": Measured(lead.ratio, "", lead.low, lead.high)},
        expected={
            "ratio": Measured(None, "", lead.lowest, lead.highest),
            "factor": Measured(slip.cure, ""),
        },
    )


def unexplained_finding(ties: Sequence[Tie], doubtful: Sequence[str], signals: Signals, vehicle: Vehicle) -> Finding:
    """Readings of one quantity that differ by no usual slip."""
    lead = ties[0]
    facts = "; ".join(_fact(tie) for tie in ties)
    return Finding(
        kind="mapping.scale",
        severity=Severity.WARNING,
        start_s=lead.start_s,
        end_s=lead.end_s,
        title=f"{part_title(doubtful[0])} and {' and '.join(part_name(name) for name in doubtful[1:])} do not fit: "
        f"one reads {lead.ratio:.3g} times the other",
        explanation=f"{facts}. No common single factor explains it. {_UNSURE}",
        next_step="Check scale, offset and unit of "
        + " and ".join(line_of(name, vehicle) for name in doubtful)
        + ", and compare both with a meter at rest.",
        parts=_charted(doubtful[0], lead, signals),
        measured={"ratio": Measured(lead.ratio, "", lead.low, lead.high)},
        expected={"ratio": Measured(None, "", lead.lowest, lead.highest)},
    )


def odd_finding(tie: Tie, signals: Signals, vehicle: Vehicle) -> Finding:
    """Something that does not fit, while nothing shows what is wrong; everything is checked all the same."""
    parts = [name for name in tie.of if not in_file(name)]
    return Finding(
        kind="mapping.odd",
        severity=Severity.INFO,
        start_s=tie.start_s,
        end_s=tie.end_s,
        title=f"{part_title(parts[0])}: {tie.fact}",
        explanation=f"{_fact(tie)}. No common scaling mistake explains it, so nothing was left out. Possible reasons: "
        "a supply other than the pack, a value that the inverter only estimates, a wrong value in the vehicle file.",
        next_step="Check " + ", ".join(line_of(name, vehicle) for name in parts) + " against a meter.",
        parts=_charted(parts[0], tie, signals),
        measured={"ratio": Measured(tie.ratio, "", tie.low, tie.high)},
        expected={"ratio": Measured(None, "", tie.lowest, tie.highest)},
    )


def _title(suspects: Sequence[Suspect], first: Suspect, slip: Slip) -> str:
    names = [_name(suspect.name) for suspect in suspects if not suspect.in_file] or [_name(first.name)]
    if len(names) == 1:
        return f"{_capital(names[0])} reads {slip.words} what the rest of the log requires"
    factor = max(slip.factor, slip.cure)
    return f"{_capital(' or '.join(names))}: one is wrong by a factor of {factor:g}"


def _fits(first: Suspect, slip: Slip) -> str:
    return f"Multiplied by {slip.cure:g}, {_name(first.name)} fits everything logged and configured."


def _alternatives(first: Suspect, slip: Slip, others: Sequence[str], fact: str) -> str:
    if first.name in _LINKS and slip.factor < 1.0 and "is held there" in fact:
        return _STALLED
    if first.name != "motor_speed" or slip.factor not in _COUNTED:
        return ""
    return _PULSES + (_GEAR if others else "")


def _cure(suspect: Suspect, signals: Signals, vehicle: Vehicle) -> str:
    """What to write in the vehicle file."""
    slip = suspect.slips[0]
    if suspect.in_file:
        section, _, key = suspect.name.partition(".")
        return f"If {suspect.name} is wrong, correct it{place_of(section, key, vehicle)}."
    mapped = vehicle.signals.get(suspect.name)
    if mapped is None:
        return f"If {part_name(suspect.name)} is wrong, multiply its scale by {slip.cure:g}."
    write = f"scale = {mapped.scale * slip.cure:.6g}"
    if mapped.offset:
        write += f", offset = {mapped.offset * slip.cure:.6g}"
    return (
        f"If {part_name(suspect.name)} is wrong, write “{write}” at {line_of(suspect.name, vehicle)}, or multiply the "
        f"factor in the definition of {mapped.signal} by {slip.cure:g}."
    )


def _fact(tie: Tie) -> str:
    names = [name for name in tie.of if not in_file(name)]
    return f"{part_title(names[0])}: {tie.fact}"


def _name(name: str) -> str:
    return name if in_file(name) else part_name(name)


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _charted(first: str, tie: Tie, signals: Signals) -> tuple[str, ...]:
    """The doubtful part first, then what it was compared with."""
    names = dict.fromkeys((first, *tie.of))
    return tuple(name for name in names if name in signals.parts)
