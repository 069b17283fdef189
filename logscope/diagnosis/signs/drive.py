"""Encoder, control, trips, driveline and pedal."""

from __future__ import annotations

from logscope.diagnosis.signs.shown import by_cause, by_kind, by_limit, by_rise
from logscope.diagnosis.signs.sign import ANY_ORIGIN, OFTEN_ALONE, Sign

SIGNS = (
    Sign("spikes", "spikes of the motor speed", "no spike of the motor speed", by_kind("encoder.spike")),
    Sign("bursts", "bursts of wrong motor speeds", "no burst of wrong motor speeds", by_kind("encoder.burst")),
    Sign("speed_drops", "the motor speed drops out", "the motor speed does not drop out", by_kind("encoder.dropout")),
    Sign("holds", "the motor speed freezes", "the motor speed does not freeze", by_kind("encoder.hold")),
    Sign(
        "speed_reverses",
        "the motor speed changes its sign",
        "the motor speed keeps its sign",
        by_kind("encoder.reversal"),
    ),
    Sign(
        "rises_with_current",
        "disturbances of the motor speed rise with current",
        "disturbances that rise with current were not shown",
        by_rise("encoder", "rate_ratio_per_100A"),
    ),
    Sign(
        "at_switching",
        "disturbances lie at the switching of a load or contactor",
        "disturbances at the switching of loads were not shown",
        by_rise("encoder", "rate_ratio_at_switching"),
    ),
    Sign(
        "speed_noise",
        "the motor speed is noisy",
        "the noise of the motor speed is low",
        by_kind("encoder.noise"),
        OFTEN_ALONE,
    ),
    Sign("ripple", "the motor speed ripples once or more a turn", "no ripple within a turn", by_kind("encoder.ripple")),
    Sign(
        "speed_scale",
        "the motor speed is off by a constant factor",
        "the motor speed agrees with other speeds",
        by_kind("encoder.scale"),
    ),
    Sign(
        "speed_departs",
        "the motor speed departs from other readings of it",
        "the motor speed stays with other readings of it",
        by_kind("encoder.departure"),
    ),
    Sign(
        "restarts",
        "a controller restarts while the motor turns",
        "no controller restarts",
        by_kind("encoder.restart", "capture.console_restart"),
    ),
    Sign(
        "trip_after_encoder",
        "an overcurrent trip after a wrong motor speed",
        "no overcurrent trip after a wrong motor speed",
        by_cause("trip.overcurrent", "encoder"),
    ),
    Sign(
        "trip_after_demand",
        "an overcurrent trip after a quick demand",
        "no overcurrent trip after a quick demand",
        by_cause("trip.overcurrent", "demand"),
    ),
    Sign(
        "trip_after_oscillation",
        "an overcurrent trip after a growing oscillation",
        "no overcurrent trip after a growing oscillation",
        by_cause("trip.overcurrent", "oscillation"),
    ),
    Sign(
        "trip_after_supply",
        "an overcurrent trip after a fall of the link voltage",
        "no overcurrent trip after a fall of the link voltage",
        by_cause("trip.overcurrent", "supply"),
    ),
    Sign(
        "trip_at_limit",
        "an overcurrent trip at the current limit",
        "no overcurrent trip at the current limit",
        by_cause("trip.overcurrent", "limit"),
    ),
    Sign(
        "trip_sudden",
        "an overcurrent trip with nothing before it",
        "no overcurrent trip with nothing before it",
        by_cause("trip.overcurrent", "sudden"),
    ),
    Sign(
        "trip_unclear",
        "an overcurrent trip whose cause the sampling hides",
        "no overcurrent trip of unclear cause",
        by_cause("trip.overcurrent", "undetermined"),
        ANY_ORIGIN,
    ),
    Sign(
        "other_trip",
        "another fault stops the inverter",
        "no other fault stops the inverter",
        by_kind("trip.other"),
        ANY_ORIGIN,
    ),
    Sign(
        "current_limit",
        "the motor current passes its limit",
        "the motor current keeps its limit",
        by_limit("motor_current"),
        OFTEN_ALONE,
    ),
    Sign(
        "oscillation",
        "torque or current oscillates",
        "torque and current do not oscillate",
        by_cause("current_control.oscillation", None),
    ),
    Sign(
        "oscillates_with_shaft",
        "torque or current oscillates once or twice a turn",
        "torque and current do not oscillate with the shaft",
        by_cause("current_control.oscillation", "shaft"),
    ),
    Sign(
        "overshoot",
        "torque or current overshoots its target",
        "torque and current follow their target",
        by_kind("current_control.response"),
        OFTEN_ALONE,
    ),
    Sign("judder", "the driveline judders", "the driveline does not judder", by_kind("driveline.judder"), OFTEN_ALONE),
    Sign("pedal_jumps", "the pedal's signal jumps", "the pedal's signal does not jump", by_kind("throttle.jump")),
    Sign(
        "pedal_tracks",
        "the pedal's two tracks disagree",
        "the pedal's two tracks agree",
        by_kind("throttle.tracks"),
        parts=("throttle", "throttle_second"),
    ),
    Sign(
        "pedal_noise",
        "the released pedal is noisy",
        "the released pedal is quiet",
        by_kind("throttle.noise", "throttle.falling"),
        OFTEN_ALONE,
    ),
    Sign(
        "energy",
        "more energy comes out of the motor than goes in",
        "the energy of the motor adds up",
        by_kind("machine.operating_points"),
    ),
)
