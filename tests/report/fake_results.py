"""Made-up results for the tests of the report: a healthy one, a troubled one, an empty one."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from logscope.capture.frames import Account, BadLine
from logscope.diagnosis.explain import explain
from logscope.findings import (
    CAUTION_HV,
    Curve,
    Event,
    Evidence,
    Finding,
    Level,
    Mark,
    Measured,
    NotChecked,
    Severity,
)
from logscope.result import CaptureSummary, Result
from logscope.signals import Part, Signals

HOSTILE = "<script>alert(1)</script>"
START = datetime(2026, 3, 1, 9, 0, 0, 250000, tzinfo=UTC)
PACK_V, RC_S, CLOSE_S = 312.0, 0.21, 3.1


def signals(duration_s: float = 61.0) -> Signals:
    """A key-on, a drive with two disturbances of the speed, a trip, and a key-off."""
    rng = np.random.default_rng(7)
    t = np.arange(0.0, duration_s, 0.01)
    link = np.where(t < 2.44, 0.0, PACK_V * (1 - np.exp(-(t - 2.44) / RC_S)))
    link = np.where(t > 50, PACK_V * np.exp(-(t - 50) / 30), link) + rng.normal(0, 0.3, t.size)
    speed = np.clip(np.interp(t, [0, 8, 20, 30, 34, 42, 48], [0, 0, 3200, 2600, 4100, 3900, 0]), 0, None)
    speed += rng.normal(0, 4, t.size)
    speed[[1850, 2555]] = [6900.0, 0.0]
    current = np.abs(np.gradient(speed, t)) * 0.002 + speed / 40 + rng.normal(0, 1, t.size)
    current[(t > 33.96) & (t < 34.0)] = 392.0
    slow = t[::10]
    on = (slow > CLOSE_S) & (slow < 50)
    fault = np.where((slow > 34.0) & (slow < 36.0), 3.0, 0.0)
    mode = np.select([slow < 2.4, slow < 3.1, slow < 34, slow < 36, slow < 50], [0, 1, 2, 3, 2], 0).astype(float)
    made = (
        Part("dc_link_voltage", t, np.round(link, 1), "V", "InverterHv.DcLinkVoltage", step=0.1),
        Part("battery_voltage", slow, PACK_V - np.interp(slow, t, current) * 0.03, "V", f"Pack.{HOSTILE}"),
        Part(
            "motor_speed",
            t,
            np.round(speed),
            "rpm",
            "InverterMotion.Shaft_Speed_From_The_Sine_Cosine_Encoder",
            step=1.0,
        ),
        Part("motor_current", t, current, "A", "InverterMotion.PhaseCurrent"),
        Part("motor_current_target", slow, np.interp(slow, t, current) * 0.95, "A", "InverterMotion.Target"),
        Part(
            "precharge_relay",
            slow,
            ((slow > 2.45) & (slow < 3.3)) * 1.0,
            "",
            "Junction.Precharge",
            on=(slow > 2.45) & (slow < 3.3),
        ),
        Part("main_contactor", slow, on * 1.0, "", "Junction.MainContactor", on=on),
        Part(
            "fault",
            slow,
            fault,
            "",
            "Inverter.Fault",
            labels={0.0: "None", 3.0: f"Overcurrent {HOSTILE}"},
            overcurrent=fault == 3,
            healthy=fault == 0,
        ),
        Part(
            "inverter_state",
            slow,
            mode,
            "",
            "Inverter.State",
            labels={0.0: "Off", 1.0: "Precharge", 2.0: "Run", 3.0: "Fault"},
        ),
    )
    return Signals(
        {part.name: part for part in made},
        0.0,
        duration_s,
        {"throttle": "the message never occurs in this log"},
    )


def slow_precharge() -> Finding:
    """A finding with everything: curves, band, marks, levels, states, limits, expected values."""
    t = np.linspace(2.44, 3.3, 80)
    curve = PACK_V * (1 - np.exp(-(t - 2.44) / 0.15))
    low, high = (PACK_V * (1 - np.exp(-(t - 2.44) / rc)) for rc in (0.18, 0.12))
    return Finding(
        kind="precharge.slow",
        severity=Severity.WARNING,
        start_s=2.44,
        end_s=3.21,
        title="Precharge is slower than its resistor and capacitor allow",
        explanation=(
            "The DC-link voltage follows one exponential with a time constant of 0.210 s, above the "
            "expected band of 0.12 to 0.18 s from 150 Ω and 1000 µF. The residual is within the quantisation."
        ),
        next_step="Measure the resistor cold, with the link proven dead. Count what hangs on the link.",
        caution=CAUTION_HV,
        parts=("dc_link_voltage", "battery_voltage", "precharge_relay", "main_contactor"),
        measured={
            "time_constant_s": Measured(0.21034, "s", 0.2011, 0.2196),
            "fraction_at_close": Measured(0.9563, "", 0.951, 0.961),
            "close_difference_V": Measured(13.62, "V", 12.1, 15.2),
            "start_voltage_V": Measured(float("nan"), "V"),
            "time_to_60V_s": Measured(None, "s", 110.0, None),
            "extrapolated": Measured(1.0, ""),
        },
        expected={
            "time_constant_s": Measured(0.15, "s", 0.12, 0.18),
            "fraction_at_close": Measured(None, "", 0.95, None),
            "resistor_energy_J": Measured(None, "J", None, 400.0),
        },
        evidence=Evidence(
            curves=(
                Curve("expected from 150 Ω and 1000 µF", "dc_link_voltage", t, curve, low, high),
                Curve("fitted, one exponential", "dc_link_voltage", t, PACK_V * (1 - np.exp(-(t - 2.44) / RC_S))),
            ),
            marks=(
                Mark(2.44, "voltage begins to rise"),
                Mark(2.5, "precharge relay reported closed"),
                Mark(3.1, "main contactor closes"),
            ),
            levels=(
                Level(0.95 * PACK_V, "closing threshold, 95 % of pack voltage", "dc_link_voltage"),
                Level(PACK_V, "pack voltage", "dc_link_voltage"),
                Level(60.0, "60 V, class A limit", "dc_link_voltage"),
            ),
        ),
    )


def encoder_spikes() -> Finding:
    """A finding that gathers episodes."""
    return Finding(
        kind="encoder.spike",
        severity=Severity.WARNING,
        start_s=18.5,
        end_s=25.56,
        title="The speed reading jumps where no rotor can",
        explanation="Two jumps exceed what torque and inertia allow.",
        next_step="Check the screen of the encoder cable and its way past the phase cables.",
        parts=("motor_speed", "motor_current"),
        events=(Event(18.5, 18.51), Event(25.55, 25.56)),
        measured={"count": Measured(2, ""), "peak_deviation_rpm": Measured(3917.0, "rpm", 3895.0, 3940.0)},
    )


def trip() -> Finding:
    """A danger whose title is hostile and whose words are long."""
    return Finding(
        kind="trip.overcurrent",
        severity=Severity.DANGER,
        start_s=33.5,
        end_s=34.1,
        title=f"Overcurrent trip at 34.0 s, fault “{HOSTILE}”",
        explanation="Inverter_Fault_Word_With_A_Long_Name_That_No_Line_Of_A_Phone_Holds rose late.",
        next_step="Isolate and inspect before power is applied again.",
        caution=CAUTION_HV,
        cause="sudden",
        parts=("motor_current", "motor_speed", "fault", "inverter_state"),
        measured={
            "peak_current_A": Measured(392.0, "A", 386.0, 398.0),
            "lead_time_s": Measured(0.04, "s", 0.03, 0.05),
        },
        expected={"peak_current_A": Measured(None, "A", None, 350.0)},
        evidence=Evidence(
            marks=(Mark(33.96, "current passes its limit"), Mark(34.0, "fault reported")),
            levels=(Level(350.0, "current limit", "motor_current"),),
        ),
    )


def plain_finding(number: int, severity: Severity) -> Finding:
    """A small finding, one of many."""
    start = 1.7 * number % 55.0
    return Finding(
        kind=f"throttle.{severity.value}",
        severity=severity,
        start_s=start,
        end_s=start + 0.4,
        title=f"Small finding number {number}",
        explanation="A few words.",
        next_step="",
        parts=("motor_current",),
        measured={"peak_current_A": Measured(100.0 + number, "A", 99.0 + number, 101.0 + number)},
    )


def troubled(small: int = 26) -> Result:
    """Thirty findings and more, of every severity, with hostile names and missing values."""
    order = (Severity.GOOD, Severity.INFO, Severity.GOOD, Severity.WARNING)
    many = tuple(plain_finding(n, order[n % 4]) for n in range(small))
    noise = Finding(
        "encoder.noise",
        Severity.INFO,
        0.0,
        61.0,
        "The speed's noise floor",
        "Over the whole capture.",
        "",
        ("motor_speed",),
        measured={
            "floor_rpm": Measured(4.02, "rpm", 3.95, 4.09),
            "rate_ratio_per_100A": Measured(1.8, "", 1.1, 2.9),
        },
    )
    chartless = Finding(
        "bus.timeout", Severity.WARNING, float("nan"), float("nan"), "A message stops", "", "", ("throttle",)
    )
    account = Account(
        files=("logs/first drive.log", f"logs/{HOSTILE}.log"),
        lines=18_340,
        lines_bad=2,
        other=38,
        frames=18_300,
        error_frames=30,
        remote_frames=10,
        out_of_order=4,
        lost=12,
        bad=(
            BadLine("logs/first drive.log", 17, f"payload has an odd number of digits: {HOSTILE}"),
            BadLine("logs/first drive.log", 9042, "no identifier"),
        ),
        notes=("logs/first drive.log: the last line has no line end",),
    )
    capture = CaptureSummary(account, START, 61.0, 15_000, 3_250, 10, 14, ((12.5, -3600.0),))
    made = signals()
    findings = (*many, noise, slow_precharge(), encoder_spikes(), chartless, trip())
    return Result(
        vehicle_name=f"Hazel {HOSTILE}",
        capture=capture,
        findings=findings,
        explanations=explain(findings, made.parts),
        not_checked=(
            NotChecked("encoder", "no signal is mapped to motor_speed_second"),
            NotChecked("encoder", "sampling at 10 ms holds no shaft order above 5 at 4100 rpm"),
            NotChecked("charge", "no signal is mapped to charger_current"),
            NotChecked("contactors", "checked without battery current, which is in doubt", in_part=True),
        ),
        signals=made,
        sources={name: part.source for name, part in made.parts.items()},
    )


def healthy() -> Result:
    """Good findings only."""
    made = signals()
    account = Account(files=("drive.log",), lines=100, frames=100)
    good = tuple(plain_finding(n, Severity.GOOD) for n in range(2))
    capture = CaptureSummary(account, None, 61.0, 100, 0, 0)
    return Result("Hazel", capture, good, (), made, {name: part.source for name, part in made.parts.items()})


def empty() -> Result:
    """A log that gave nothing."""
    capture = CaptureSummary(Account(files=("e.log",)), None, float("nan"), 0, 0, 0)
    return Result("Hazel", capture, (), (NotChecked("precharge", "no signal is mapped"),), Signals({}, 0.0, 0.0))
