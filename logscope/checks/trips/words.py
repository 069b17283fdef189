"""Titles and next steps of overcurrent trips, by cause. Common practice, no published source."""

from __future__ import annotations

from logscope.checks.trips.cause import WANTED_PERIOD_S, Cause

_LED = {
    "encoder": "led by a speed disturbance",
    "demand": "led by a step of the demand",
    "oscillation": "led by a growing oscillation",
    "supply": "led by the DC link's supply",
    "limit": "at a steady current: the limit lies under the demand",
    "sudden": "with nothing before it",
}
_NEXT_STEPS = {
    "encoder": (
        "Encoder wiring first, with the power off and the link proven dead: screened twisted pairs, the "
        "screen unbroken and bonded as the makers say, away from the phase cables, connector pins, supply "
        "and ground (common practice, no published source). Then repeat the same drive and compare."
    ),
    "demand": (
        "First what costs nothing: compare target and measured current at the step, ask for the torque with a "
        "slower ramp, and see that the stated limits fit the inverter's. Only then touch the gains of the current "
        "loop, by the maker's procedure (common practice, no published source)."
    ),
    "oscillation": (
        "Go back to the last settings that ran calmly, then see the motor parameters and the gains of the current "
        "loop, by the inverter maker's procedure (common practice, no published source). Until then ask for little "
        "torque."
    ),
    "supply": (
        "With the power off and the link proven dead: contactor, its coil supply, service plug, fuse, and every "
        "bolted connection from pack to link, for looseness and heat marks (common practice, no published source). "
        "Then log contactor states, pack current and link voltage together."
    ),
    "limit": (
        "Compare the inverter's own trip limit with the current that its settings ask for, and with the makers' "
        "data for motor and inverter. Lower the demand rather than raise the limit, until those data allow it "
        "(common practice, no published source)."
    ),
    "sudden": (
        "Stop. Before power is applied again: with the power off and the link proven dead, isolate and have "
        "insulation, phase cables, motor windings, current sensors and the power stage inspected (common practice, "
        "no published source). A fault of this kind can do more damage each time."
    ),
    "undetermined": (
        "Stop until it is known: with the power off and the link proven dead, have insulation and phase "
        "cables, current sensors and the encoder's wiring checked. Then record motor speed, current, its "
        f"target, torque, throttle and DC-link voltage every {WANTED_PERIOD_S * 1e3:.0f} ms or faster."
    ),
}
_NEXT_STEP_WENT_ON = (
    "Look this fault up in the inverter's manual: some report a current limit that was reached, or a fault of the past, "
    "as overcurrent. Compare its stated current limits with those that the vehicle file gives."
)
_NEXT_STEP_UNSURE = (
    " It is not certain: before power is applied again, have the phase cables and the insulation checked too."
)


def title(inferred: bool, cause: Cause) -> str:
    """One line on a trip; `inferred` from the current, where no fault is logged."""
    what = "Probable overcurrent trip" if inferred else "Overcurrent trip"
    if cause.went_on:
        what = "Overcurrent reported, the drive went on"
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
        f"The same fault came {count} times within {lasts_s:.0f} s: the inverter restarts and trips again. They are one "
        f"event; its causes were looked for before the first “{name}”."
    )
