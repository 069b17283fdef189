"""Titles and next steps of overcurrent trips, by cause. The steps are common practice, no published source."""

from __future__ import annotations

from logscope.checks.trips.cause import WANTED_PERIOD_S, Cause

_LED = {
    "encoder": "preceded by a speed disturbance",
    "demand": "preceded by a step of the demand",
    "oscillation": "preceded by a growing oscillation",
    "supply": "preceded by a change of the DC-link supply",
    "limit": "at a steady current: the limit is below the demand",
    "sudden": "with nothing before it",
}
_NEXT_STEPS = {
    "encoder": (
        "With the power off and the link proven dead, check the encoder's wiring first: screened twisted pairs, the "
        "screen unbroken and bonded as the makers specify, away from the phase cables; pins, supply and ground. Then "
        "repeat the same drive and compare."
    ),
    "demand": (
        "Compare target and measured current at the step. Try a slower torque ramp, and check that the configured "
        "limits are those of the inverter. Only then change the gains of the current loop, by the maker's procedure."
    ),
    "oscillation": (
        "Go back to the last settings that ran calmly. Then check the motor parameters and the gains of the current "
        "loop, by the inverter maker's procedure. Until then ask for little torque."
    ),
    "supply": (
        "With the power off and the link proven dead, check contactor, its coil supply, service disconnect, fuse and "
        "every bolted connection from pack to link for looseness and heat marks. Then log contactor states, pack "
        "current and link voltage together."
    ),
    "limit": (
        "Compare the inverter's trip limit with the current that its settings ask for, and with the makers' data for "
        "motor and inverter. Lower the demand; do not raise the limit beyond those data."
    ),
    "sudden": (
        "Stop. With the power off and the link proven dead, isolate, and have insulation, phase cables, motor "
        "windings, current sensors and the power stage inspected before power is applied again. Such a fault can do "
        "more damage each time."
    ),
    "undetermined": (
        "Stop until the cause is known. With the power off and the link proven dead, have insulation, phase cables, "
        "current sensors and the encoder's wiring checked. Then record motor speed, current, its target, torque, "
        f"throttle and DC-link voltage every {WANTED_PERIOD_S * 1e3:.0f} ms or faster."
    ),
}
_NEXT_STEP_WENT_ON = (
    "Look the fault up in the inverter's manual: some report a current limit that was reached, or a past fault, as "
    "overcurrent. Compare the inverter's current limits with those in the vehicle file."
)
_NEXT_STEP_UNSURE = (
    " The cause is not certain: have phase cables and insulation checked as well before power is applied again."
)


def title(inferred: bool, cause: Cause) -> str:
    """One line on a trip; `inferred` from the current, where no fault is logged."""
    what = "Probable overcurrent trip" if inferred else "Overcurrent trip"
    if cause.went_on:
        what = "Overcurrent reported, the drive continued"
    if cause.name == "undetermined":
        return f"{what}, cause not determined"
    return f"{what}, {'' if cause.certain else 'probably '}{_LED[cause.name]}"


def next_step(cause: Cause) -> str:
    """What to look at next: what costs little and needs no power comes first."""
    if cause.went_on and cause.name == "undetermined":
        return _NEXT_STEP_WENT_ON
    unsure = cause.name in ("encoder", "demand", "oscillation", "limit") and not cause.certain
    return _NEXT_STEPS[cause.name] + (_NEXT_STEP_UNSURE if unsure else "")


def retries_in_words(count: int, lasts_s: float, name: str) -> str:
    """Trips that follow each other without a new drive between them."""
    return (
        f"The same fault came {count} times within {lasts_s:.0f} s: the inverter restarts and trips again. This is "
        f"one event; its cause was looked for before the first “{name}”."
    )
