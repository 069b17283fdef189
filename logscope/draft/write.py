"""A drafted vehicle file as TOML text: mappings with their reasons, doubts, and numbers left to be filled in."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence

from logscope.capture.columns import ColumnLayout
from logscope.draft.choose import Choice
from logscope.draft.keys import Keys, Values
from logscope.findings import CAUTION_HV
from logscope.parts import PARTS
from logscope.vehicle import CanSection, SerialSection
from logscope.vehicle_schema import SCHEMA_FILE

_WIDTH = 110
_PART_WIDTH = max(map(len, PARTS))

# What no log contains. Key, and where the number comes from.
_NUMBERS: dict[str, tuple[tuple[str, str], ...]] = {
    "precharge": (
        ("resistance_ohm", "of the cold precharge resistor: data sheet, or measured with the link proven dead"),
        ("capacitance_uF", "all capacitance on the link: inverter and every other device"),
        ("timeout_s", "after which the controller stops precharge"),
        ("resistor_energy_J", "per pulse: data sheet of the resistor"),
    ),
    "dc_link": (
        ("bleeder_ohm", "of the resistor that discharges the link"),
        ("max_voltage_V", "of the weakest device on the link: data sheets"),
        ("discharge_limit_s", "allowed time to 60 V after key-off: your local rules"),
    ),
    "motor": (
        ("encoder_pulses_per_rev", "counts per turn"),
        ("max_speed_rpm", "data sheet"),
        ("max_torque_Nm", "data sheet"),
        ("rotor_inertia_kgm2", "data sheet"),
        ("pole_pairs", "data sheet"),
    ),
    "driveline": (
        ("ratio", "motor turns for one turn of the wheel"),
        ("wheel_radius_m", "rolling radius"),
        ("mass_kg", "of the vehicle as driven"),
    ),
    "limits": (
        ("motor_current_A", "where the inverter trips"),
        ("motor_temperature_C", "data sheet"),
        ("inverter_temperature_C", "data sheet"),
        ("coolant_temperature_C", "data sheet"),
        ("battery_min_V", "cells in series × lowest cell voltage"),
        ("battery_max_V", "cells in series × highest cell voltage"),
        ("aux_min_V", "below which controllers drop out"),
    ),
}


def vehicle_text(
    name: str,
    can: Sequence[CanSection],
    serial: Sequence[SerialSection],
    choices: Mapping[str, Choice],
    keys: Mapping[str, Keys],
    seen: Mapping[str, str],
    unused: Sequence[str] = (),
) -> str:
    """The vehicle file.

    can, serial : the sections that name the definition files, as the vehicle file is to name them
    choices, keys : by part; seen : remarks on what the log shows, by section
    unused : the signals of the log that play no part
    """
    lines = [
        f"#:schema {SCHEMA_FILE}",
        *_comment(
            "Drafted from signal definitions and a log: read it before you rely on it. What is doubtful is commented "
            "out: remove the # where you know that it is right. Why each signal was chosen stands at the end. "
            f"“logscope vehicle --schema {SCHEMA_FILE}” writes the schema that lets an editor complete this file."
        ),
        "",
        "[vehicle]",
        f"name = {_text(name)}",
        "",
    ]
    for served in can:
        bus = f"bus = {_text(served.bus)}" if served.bus else '# bus = "can0"    # to use it for one bus only'
        columns = [f"columns = {_columns(served.columns)}"] if served.columns else []
        lines += ["[[can]]", _definitions(served.definitions), bus, *columns, ""]
    for console in serial:
        lines += ["[[serial]]", _definitions(console.definitions), ""]
    doubtful = {part: _doubts(choice, keys[part]) for part, choice in choices.items()}
    lines += ["[signals]"]
    lines += [_mapping(part, choice, keys[part]) for part, choice in choices.items() if not doubtful[part]]
    if any(doubtful.values()):
        lines += ["", *_comment("Doubtful:")]
    for part, choice in choices.items():
        if doubtful[part]:
            lines += [f"# {_mapping(part, choice, keys[part])}", *_comment("; ".join(doubtful[part]), 2)]
    if missing := [part for part in PARTS if part not in choices]:
        lines += ["", *_comment(f'Not found; add what you have, as part = "Message.Signal": {", ".join(missing)}.')]
    if unused:
        lines += ["", *_comment(f"Signals of this log that are not used above: {', '.join(unused)}.")]
    lines += ["", *_comment("No log contains the numbers below. Fill in what you know, and remove the # in front.")]
    lines += _comment(CAUTION_HV)
    for section, numbers in _NUMBERS.items():
        lines += ["", f"[{section}]", *_comment(seen.get(section, ""))]
        lines += [f"# {key:<22} =     # {source}" for key, source in numbers]
    lines += ["", *_comment("Why each signal was chosen, with points, and the runner-up:")]
    for part, choice in choices.items():
        lines += _comment(f"{part}: {_reason(choice, keys[part])}", 2)
    return "\n".join(lines) + "\n"


def _definitions(paths: Sequence[str]) -> str:
    return f"definitions = [{', '.join(map(_text, paths))}]"


def _columns(layout: ColumnLayout) -> str:
    """The columns as an inline table; what is as by default is left out."""
    written = layout.model_dump(mode="json", exclude_defaults=True)
    return "{ " + ", ".join(f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in written.items()) + " }"


def _mapping(part: str, choice: Choice, keys: Keys) -> str:
    return f"{part:<{_PART_WIDTH}} = {_value(choice.fit.signal.reference, keys.values)}"


def _doubts(choice: Choice, keys: Keys) -> tuple[str, ...]:
    return (*choice.doubts, *keys.doubts)


def _reason(choice: Choice, keys: Keys) -> str:
    reason = f"{'; '.join((*choice.fit.reasons, *keys.remarks))} ({choice.fit.points:g} points)"
    if choice.runner_up is not None:
        rival = choice.runner_up
        reason += f"; or {rival.signal.reference}: {'; '.join(rival.reasons)} ({rival.points:g})"
    return reason


def _value(reference: str, values: Mapping[str, float | Values]) -> str:
    if not values:
        return _text(reference)
    keys = [f"signal = {_text(reference)}", *(f"{key} = {_written(value)}" for key, value in values.items())]
    return "{ " + ", ".join(keys) + " }"


def _written(value: float | str | Values) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(map(_written, value))}]"
    if isinstance(value, str):
        return _text(value)
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def _text(text: str) -> str:
    """A TOML basic string; the escapes of JSON are among those of TOML 1.0."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str, indent: int = 0) -> list[str]:
    """Comment lines; what a comment must not hold (control characters) becomes a space."""
    plain = "".join(character if character.isprintable() else " " for character in text)
    head = "# " + " " * indent
    return textwrap.wrap(plain, _WIDTH, initial_indent=head, subsequent_indent=head, break_on_hyphens=False)
