"""The rows of a chart for states, modes and faults: thin strips."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.arrays import BoolArray
from logscope.parts import Role
from logscope.report.rows import STRIP_PX, TIME_DECIMALS, Key, Row, Trace, around, numbers, plain, role_of, title_of
from logscope.signals import Part

Run = tuple[float, float, float]  # start [s], end [s], value

NAMED_RUNS = 4  # more runs of a mode or fault than this are left to the pointer
HEADED_VALUES = 2  # different values of a mode or fault that fit into a strip's heading


def strip(part: Part, window: tuple[float, float]) -> Row:
    """A thin strip: thick where a state is on, a fault is present, or a mode is not its lowest value."""
    where = around(part, *window)
    time, value = part.time_s[where], part.value[where]
    active = _active(part)[where]
    change = np.flatnonzero(np.diff(active.astype(float) if _is_state(part) else value) != 0) + 1
    first = np.concatenate(([0], change))
    until = np.minimum(np.concatenate((change, [time.size])), time.size - 1)
    bounds = [(a, b) for a, b in zip(first, until, strict=True) if active[a]]
    runs = [(float(time[a]), float(time[b]), float(value[a])) for a, b in bounds]
    texts = ["on" if _is_state(part) else part.label(v) for _, _, v in runs]
    colours = ("--danger", "--danger-2") if role_of(part) is Role.FAULT else ("--state", "--state-2")
    thick = [_thick(part, runs[n::2], texts[n::2], colour) for n, colour in enumerate(colours)]
    thin: Trace = {
        "x": numbers(time[[0, -1]], TIME_DECIMALS),
        "y": [0, 0],
        "type": "scatter",
        "mode": "lines",
        "line": {"color": "--rule-strong", "width": 1},
        "hoverinfo": "skip",
    }
    return Row(
        heading=_strip_heading(part, texts),
        height_px=STRIP_PX,
        traces=(thin, *thick),
        low=-1.0,
        high=1.0,
        keys=(Key(f"bar {colours[0][2:]}", _strip_meaning(part)),),
        notes=_run_notes(part, runs, texts),
        strip=True,
    )


def _thick(part: Part, runs: Sequence[Run], texts: Sequence[str], colour: str) -> Trace:
    """Every second run: neighbours differ in colour, so that a change of value is seen."""
    return {
        "x": [x for a, b, _ in runs for x in (round(a, TIME_DECIMALS), round(b, TIME_DECIMALS), None)],
        "y": [y for _ in runs for y in (0, 0, None)],
        "text": [plain(text) for text in texts for _ in range(3)],
        "name": plain(title_of(part)),
        "type": "scatter",
        "mode": "lines",
        "line": {"color": colour, "width": 10},
        "hovertemplate": "%{text}",
    }


def _is_state(part: Part) -> bool:
    """Whether it is on or off; a mode keeps its texts though some of them may mean on."""
    return part.on is not None and role_of(part) is Role.STATE


def _active(part: Part) -> BoolArray:
    if part.on is not None and _is_state(part):
        return part.on
    if part.healthy is not None:
        return np.logical_not(part.healthy)
    return np.not_equal(part.value, 0.0 if role_of(part) is Role.FAULT else part.value.min())


def _strip_heading(part: Part, texts: Sequence[str]) -> str:
    if _is_state(part):
        return title_of(part)
    different = list(dict.fromkeys(texts))
    said = f": {', then '.join(different)}" if 0 < len(different) <= HEADED_VALUES else ""
    return f"{title_of(part)}{said}"


def _strip_meaning(part: Part) -> str:
    if _is_state(part):
        return "state: on"
    if role_of(part) is Role.FAULT:
        return "fault present; the colour changes with the code"
    lowest = part.label(float(part.value.min()))
    return f"{title_of(part)}: any value but “{lowest}”; the colour changes with the value"


def _run_notes(part: Part, runs: Sequence[Run], texts: Sequence[str]) -> tuple[str, ...]:
    if _is_state(part) or not runs:
        return ()
    named = [f"“{text}” from {run[0]:.3f} s" for run, text in zip(runs, texts, strict=True)][:NAMED_RUNS]
    more = f" and {len(runs) - NAMED_RUNS} more" if len(runs) > NAMED_RUNS else ""
    return (f"{title_of(part)}: {', '.join(named)}{more}.",)
