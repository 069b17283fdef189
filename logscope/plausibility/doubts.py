"""Parts that were read the wrong way: turned round, with bytes in the wrong order, or in another temperature unit."""

from __future__ import annotations

from logscope.findings import Finding, Measured, Severity
from logscope.parts import PARTS, Role, part_name, part_title
from logscope.plausibility.byte_order import Misread, misread
from logscope.plausibility.coherent import coherent
from logscope.plausibility.doubt import Doubt
from logscope.plausibility.name import line_of
from logscope.plausibility.possible import COOLED
from logscope.plausibility.signs import Turned, sign_ties, turned
from logscope.plausibility.temperatures import WrongTemperature, wrong_temperatures
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_DEFINITION = {
    Misread.BYTES: "Change the byte order of {signal} in its definition: little-endian to big-endian, or the reverse.",
    Misread.UNSIGNED: "Make {signal} signed in its definition.",
    Misread.HIGH_BITS: "Check start bit, length and byte order of {signal} in its definition.",
}
_JUMPS = {
    Misread.BYTES: "at each carry between its bytes. With the bytes swapped the same readings change smoothly",
    Misread.UNSIGNED: "each time it passes zero. Read as signed, the same bits change smoothly",
    Misread.HIGH_BITS: "from one end of its range to the other, as a number without its high bits does",
}
_MIRRORED = frozenset({"motor_speed", "torque", "torque_target"})


def misread_doubts(signals: Signals, vehicle: Vehicle) -> list[Doubt]:
    """Integers whose bits were read the wrong way."""
    found = (
        (part, how)
        for name, part in signals.parts.items()
        if PARTS[name].role is Role.QUANTITY and (how := misread(part)) is not None
    )
    return [_misread(part, how, vehicle) for part, how in found]


def sign_doubts(signals: Signals, vehicle: Vehicle) -> list[Doubt]:
    """Readings that are turned round."""
    signals = coherent(signals)
    groups = turned(list(sign_ties(signals)))
    mirrored = [group for group in groups if not group.suspects and _names(group) <= _MIRRORED]
    doubts = [_turned(group, signals, vehicle) for group in groups if group.suspects]
    return doubts + ([_mirrored(mirrored, signals, vehicle)] if mirrored else [])


def temperature_doubts(signals: Signals, vehicle: Vehicle) -> list[Doubt]:
    """Temperatures in another unit."""
    return [_temperature(wrong, signals, vehicle) for wrong in wrong_temperatures(signals, vehicle)]


def _misread(part: Part, how: Misread, vehicle: Vehicle) -> Doubt:
    kind = "mapping.signed" if how is Misread.UNSIGNED else "mapping.byte_order"
    reason = f"{part_name(part.name)} was read {how.value}"
    leap = float(abs(part.value[1:] - part.value[:-1]).max())
    finding = Finding(
        kind=kind,
        severity=Severity.WARNING,
        start_s=float(part.time_s[0]),
        end_s=float(part.time_s[-1]),
        title=f"{part_title(part.name)}: read {how.value}, jumps of up to {leap:,.4g} {part.unit}",
        explanation=f"{part_title(part.name)} jumps by up to {leap:,.4g} {part.unit} from one sample to the next, "
        f"{_JUMPS[how]}. Checks that need it are listed under “not checked”.",
        next_step=f"{_DEFINITION[how].format(signal=part.source)} It is mapped at {line_of(part.name, vehicle)}.",
        parts=(part.name,),
        measured={f"largest_step_{part.unit}": Measured(leap, part.unit)},
    )
    return Doubt(finding, (part.name,), reason)


def _names(group: Turned) -> frozenset[str]:
    return frozenset().union(*(tie.of for tie in group.ties))


def _turned(group: Turned, signals: Signals, vehicle: Vehicle) -> Doubt:
    names = group.suspects
    facts = "; ".join(dict.fromkeys(tie.fact for tie in group.ties))
    positive = min(tie.positive for tie in group.ties)
    suspects = " or ".join(part_name(name) for name in names)
    reason = f"{suspects} has the wrong sign" if len(names) == 1 else f"{suspects}: one has the wrong sign"
    opposed = 100 * (1 - positive)
    what = "one has the wrong sign" if len(names) > 1 else "wrong sign"
    parts = dict.fromkeys((*names, *sorted(_names(group))))
    write = "; ".join(
        f"“scale = {-(vehicle.signals[name].scale if name in vehicle.signals else 1.0):g}” at {line_of(name, vehicle)}"
        for name in names
    )
    finding = Finding(
        kind="mapping.sign",
        severity=Severity.WARNING,
        start_s=signals.start_s,
        end_s=signals.end_s,
        title=f"{suspects[0].upper()}{suspects[1:]}: {what}, in {opposed:.0f} % of the moments",
        explanation=f"In {opposed:.0f} % of the moments {facts}. The likely cause is the sign of “scale” in the "
        "vehicle file, or a sensor mounted the other way round. Checks that need it are listed under “not checked”.",
        next_step=f"Write {write}{', for the one that is wrong' if len(names) > 1 else ''}.",
        parts=tuple(name for name in parts if name in signals.parts),
        measured={"agreement_percent": Measured(100.0 * positive, "%")},
        expected={"agreement_percent": Measured(100.0, "%"), "factor": Measured(-1.0, "")},
    )
    return Doubt(finding, names, reason)


def _mirrored(groups: list[Turned], signals: Signals, vehicle: Vehicle) -> Doubt:
    """Speed and torque agree with each other, and both are negative forward: a motor that is mounted the other way."""
    names = sorted(frozenset().union(*(_names(group) for group in groups)))
    return Doubt(
        Finding(
            kind="mapping.odd",
            severity=Severity.INFO,
            start_s=signals.start_s,
            end_s=signals.end_s,
            title=f"{part_title(names[0])} is negative while the vehicle drives forward",
            explanation="Speed and torque agree with each other and with the battery, so nothing was left out. Either "
            "the motor turns the other way in this vehicle, or both readings count backwards.",
            next_step="Write “scale = -1” at " + " and ".join(line_of(name, vehicle) for name in names) + ".",
            parts=tuple(name for name in names if name in signals.parts),
        )
    )


def _temperature(wrong: WrongTemperature, signals: Signals, vehicle: Vehicle) -> Doubt:
    mapped = vehicle.signals.get(wrong.part)
    scale, offset = (mapped.scale, mapped.offset) if mapped is not None else (1.0, 0.0)
    cure, part = wrong.cure, signals.parts[wrong.part]
    write = f"scale = {scale * cure.scale:.6g}, offset = {offset * cure.scale + cure.offset:.6g}"
    shifted = cure.offset != 0.0
    rival = "" if wrong.rival is None else f", or {wrong.rival.words}"
    compare = ""
    if wrong.hot:
        then = "let it cool" if wrong.part in COOLED else "do not use the battery"
        compare = f"First compare with a thermometer: if it shows {wrong.start:.0f} °C too, {then}. "
    reason = f"{part_name(wrong.part)} is probably {cure.words}{rival}"
    measured = {"offset_K": Measured(-cure.offset, "K")} if shifted else {"ratio": Measured(1.0 / cure.scale, "")}
    return Doubt(
        Finding(
            kind="mapping.offset" if shifted else "mapping.scale",
            severity=Severity.WARNING,
            start_s=float(part.time_s[0]),
            end_s=float(part.time_s[-1]),
            title=f"{part_title(wrong.part)}: probably {cure.words}, {wrong.start:,.0f} °C at the start",
            explanation=f"{part_title(wrong.part)}: {wrong.fact}. It is probably {cure.words}{rival}; corrected, "
            f"it starts at {cure.of(wrong.start):.0f} °C, which fits. Checks that need it are listed under “not "
            "checked”.",
            next_step=f"{compare}Write “{write}” at {line_of(wrong.part, vehicle)}, or correct its definition.",
            parts=(wrong.part,),
            measured=measured,
            expected={
                "factor": Measured(scale * cure.scale, ""),
                "offset_K": Measured(offset * cure.scale + cure.offset, "K"),
            },
        ),
        (wrong.part,),
        reason,
    )
