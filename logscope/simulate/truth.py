"""What really happened in a simulated drive, in the words of the findings."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field


@dataclass(frozen=True, slots=True)
class TruthEvent:
    """One event: `kind` as a finding would name it, times from the capture's start [s].

    parameters : true values by name, the unit at the end of the name
    """

    kind: str
    start_s: float
    end_s: float
    cause: str | None = None
    parameters: Mapping[str, float] = field(default_factory=dict)


def truth_to_json(
    name: str, seed: int, events: Iterable[TruthEvent], console: Mapping[str, float] | None = None
) -> str:
    """The events as JSON text, in order of time, rounded to a microsecond and a ten-thousandth.

    console : of a second log, the clock: when it began, on the first log's clock, and its drift as a share
    """
    rows = []
    for event in sorted(events, key=lambda e: (e.start_s, e.kind)):
        row = asdict(event)
        row["start_s"], row["end_s"] = round(event.start_s, 6), round(event.end_s, 6)
        row["parameters"] = {key: round(value, 4) for key, value in event.parameters.items()}
        rows.append(row)
    content = {"schema": 1, "simulated": True, "drive": name, "seed": seed, "events": rows}
    if console is not None:
        content["console_clock"] = dict(console)
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"
