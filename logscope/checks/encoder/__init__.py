"""Is the motor speed a speed that the shaft can have had?

What is wrong with it is an observation (`observations/motor_speed`), for other checks need it as well. What its
disturbances follow is said by `disturbance_load`, with a `disturbance_rate` fitted to current and speed, and by
`disturbance_switching`. `speed_ripple` and `speed_scale` find what lasts. `check` puts it together, in the words of
`text`.
"""
