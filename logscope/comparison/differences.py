"""What differs between the sides besides the change: vehicle file, definitions, sampling."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from logscope.comparison.outcome import Difference
from logscope.measures import EventRate, Measure, NoiseFloor
from logscope.parts import PARTS, part_title
from logscope.result import Result
from logscope.vehicle import Vehicle

SAMPLED_ALIKE = 1.25  # periods within a quarter of each other see the same events


def vehicle_differences(before: Vehicle, after: Vehicle) -> list[Difference]:
    """Every value that the two vehicle files state differently, by section; the files' own names do not count."""
    found = []
    first, second = (
        vehicle.model_dump(exclude={"vehicle", "path", "can", "serial", "signals", "load"})
        for vehicle in (before, after)
    )
    for section in first:
        for key in first[section]:
            old, new = first[section][key], second[section][key]
            if old != new:
                found.append(
                    Difference(
                        f"The vehicle file says {section}.{key} = {_written(old)} before, {_written(new)} after.",
                        (),
                        (section,),
                    )
                )
    mappings = [{**vehicle.signals, **{load.name: load for load in vehicle.load}} for vehicle in (before, after)]
    for part in sorted(mappings[0].keys() | mappings[1].keys()):
        mapped = [mapping.get(part) for mapping in mappings]
        if mapped[0] != mapped[1]:
            names = ["nothing" if one is None else _mapping(one.model_dump(exclude_none=True)) for one in mapped]
            found.append(
                Difference(f"{part_title(part)} is mapped to {names[0]} before, to {names[1]} after.", (part,))
            )
    return found


def definition_differences(before: Mapping[str, object], after: Mapping[str, object]) -> list[Difference]:
    """Parts whose signal is defined differently.

    before, after : by part, how its signal is laid out and scaled; anything that can be compared
    """
    return [
        Difference(f"{part_title(part)}: its signal is defined differently before and after.", (part,))
        for part in before
        if part in after and before[part] != after[part]
    ]


def sampling_differences(before: Sequence[Result], after: Sequence[Result]) -> list[Difference]:
    """Parts whose typical period differs by more than a quarter."""
    found = []
    for part in PARTS:
        periods = [_periods(part, side) for side in (before, after)]
        if not all(periods):
            continue
        every = [*periods[0], *periods[1]]
        if min(every) > 0 and max(every) > SAMPLED_ALIKE * min(every):
            texts = [" and ".join(dict.fromkeys(f"{1000 * p:.3g} ms" for p in side)) for side in periods]
            found.append(
                Difference(f"{part_title(part)} was logged every {texts[0]} before, every {texts[1]} after.", (part,))
            )
    return found


def spoils(measure: Measure, differences: Sequence[Difference]) -> str:
    """Why differences keep a measure from being compared, in words; empty where they do not.

    A time constant has limits of its own at any sampling; events and noise have not.
    """
    if not isinstance(measure, EventRate | NoiseFloor):
        return ""
    sections = measure.sections if isinstance(measure, EventRate) else ()
    texts = [d.text for d in differences if measure.part in d.parts or set(sections) & set(d.sections)]
    return f"{' '.join(texts)} This changes what can be detected." if texts else ""


def _periods(part: str, side: Sequence[Result]) -> list[float]:
    parts = [result.signals.get(part) for result in side]
    return [one.period_s for one in parts if one is not None and one.time_s.size > 1]


def _written(value: object) -> str:
    return "nothing" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _mapping(fields: Mapping[str, object]) -> str:
    extra = {
        k: v
        for k, v in fields.items()
        if k not in ("signal", "name") and (k, v) not in (("scale", 1.0), ("offset", 0.0))
    }
    return f"{fields.get('signal', 'no switch')}{''.join(f', {k} = {v}' for k, v in extra.items())}"
