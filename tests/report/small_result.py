"""One small result with everything, for outputs that are compared whole."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
from rich.console import Console

from logscope.capture.frames import Account, BadLine
from logscope.diagnosis.explanation import Explanation
from logscope.findings import CAUTION_HV, Event, Finding, Measured, NotChecked, Severity
from logscope.result import CaptureSummary, Result
from logscope.signals import Part, Signals

NB = "\N{NO-BREAK SPACE}"
START = datetime(2026, 3, 1, 9, 0, 0, 250000, tzinfo=UTC)


def finding(kind: str, severity: Severity, start_s: float, title: str, **more) -> Finding:  # type: ignore[no-untyped-def]
    texts = {"explanation": f"About {title}.", "next_step": f"Look at {title}."} | {
        name: more.pop(name) for name in ("explanation", "next_step") if name in more
    }
    return Finding(kind, severity, start_s, start_s + 1.0, title, parts=("motor_speed",), **texts, **more)


SLOW = finding(
    "precharge.slow", Severity.WARNING, 2.0, "slow", caution=CAUTION_HV, method="By its curve.",
    measured={
        "time_constant_s": Measured(0.21, "s", 0.2, 0.22), "fraction_at_close": Measured(0.95, "", 0.94, 0.96),
        "extrapolated": Measured(1.0, ""), "start_voltage_V": Measured(None, "V"),
    },
    expected={"time_constant_s": Measured(0.15, "s", 0.12, 0.18), "resistor_energy_J": Measured(None, "J", None,
    400.0)},
)  # fmt: skip
TRIP = finding("trip.overcurrent", Severity.DANGER, 34.0, "trip", cause="encoder", measured={"count": Measured(2, "")})
SPIKES = finding("encoder.spike", Severity.WARNING, 18.0, "spikes", events=(Event(18.0, 18.1), Event(20.0, 20.5)))
GOOD = finding("contactor.sound", Severity.GOOD, 3.0, "sound", next_step="")
ORIGIN = Explanation(
    "encoder_cable", "The encoder’s cable", 0.853, (0, 2), ("it spikes", "it trips"), ("no ripple",), "the bearing",
    "Swap the cable.", ("Stop.", "Screen the cable, proven dead."),
)  # fmt: skip
ACCOUNT = Account(
    files=("logs/a.log",), lines=12, lines_bad=1, other=2, frames=9, error_frames=1, remote_frames=1, out_of_order=3,
    lost=4, resets=5, stamps_repaired=6, bad=(BadLine("logs/a.log", 7, "torn"),), notes=("a note",),
    assumptions=("times are in seconds",),
)  # fmt: skip
T = np.arange(0.0, 40.0, 0.1)
SIGNALS = Signals(
    {
        "motor_speed": Part("motor_speed", T, T * 10, "rpm", "Motion.Speed"),
        "torque": Part("torque", T[::10], T[::10], "Nm", "Motion.Torque"),
    },
    0.0, 40.0, {"throttle": "the message never occurs"}, doubtful={"torque": "it is odd"},
)  # fmt: skip
RESULT = Result(
    "Hazel",
    CaptureSummary(ACCOUNT, START, 40.0, 5, 1, 1, 8, ((12.5, -3.25),)),
    (SPIKES, SLOW, TRIP, GOOD),
    (
        NotChecked("encoder", "no second speed"), NotChecked("charge", "not mapped"), NotChecked("encoder", "too slow"),
        NotChecked("contactors", "without battery current", in_part=True),
    ),
    SIGNALS,
    {"motor_speed": "Motion.Speed", "torque": "Motion.Torque", "throttle": "Pedal.Position"},
    explanations=(ORIGIN,),
)  # fmt: skip


def shown(show, **keys: object) -> str:  # type: ignore[no-untyped-def]
    console = Console(file=io.StringIO(), width=200)
    show(console, **keys)
    return "\n".join(line.rstrip() for line in console.file.getvalue().splitlines())  # type: ignore[attr-defined]
