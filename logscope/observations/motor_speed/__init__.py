"""The motor speed: what the shaft can do, and where the reading is wrong.

A disturbance is what the shaft cannot do. Two limits serve: how fast a free rotor can change its speed under full
torque, and, in gear, how fast tyres let the vehicle change it (`motor_speed/envelope`, `driveline_state` tells which
holds); a step away and back that is over sooner than the driveline can swing is none of its motion (`brief`,
`statistics/departures`). Noise and the encoder's quantum are learnt from the log and widen both limits. Steps that
belong together are one episode, named by its readings (`disturbances`). Episodes are related to current and speed by
a regression of counts with the time driven as exposure, its limits widened where they come in bursts
(`disturbance_rate`, `statistics/count_regression`), beside them to pedal and link voltage (`disturbance_load`) and
to whatever switches (`disturbance_switching`); what repeats with the shaft is looked for on the angle
(`speed_ripple`, `statistics/order_spectrum`). What other checks need of it lives in `observations/motor_speed/`, the
rest in `checks/encoder/`.

A fall to zero may be as gentle as a device's filter and still be wrong. What is beyond tyres is judged by its
company: other readings of the shaft (`other_readings`), the torque that it takes, the device's silence and its other
values (`lost`); a speed that parts from another reading of the shaft is found by `departures`. Where nothing logged
decides, the encoder is undetermined, never clean. `analysis` puts all of it together for the checks that use the
speed.
"""
