"""Is the motor speed a speed that the shaft can have had?

`speed_model` and `speed_envelope` say what the shaft and the reading can do; `speed_disturbance` finds what they
cannot, with `brief_disturbance` in gear (`driveline_state`). What the disturbances follow is said by
`disturbance_load`, with a `disturbance_rate` fitted to current and speed, its `disturbance_company` beside them, and
`disturbance_switching`. `speed_ripple` (on `shaft_angle`, set apart by `beyond_ripple`) and `speed_scale` find what
lasts. `check` puts it together, in the `words` of each finding.
"""
