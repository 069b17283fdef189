"""What tripped the inverter, and what led to it.

`signs` and `current_signs` look for what led to a trip, in what `order`; `cause` weighs the signs, `pattern` compares
trips, `near` finds what was close, `check` puts it together. Trips, their retries and the surge before them are
observations (`observations/trips`).

Before each overcurrent trip the signs of every cause are looked for; each is seen, absent, or such as the sampling
could have hidden (`checks/trips/signs`, `current_signs`). A likelihood over the causes follows (`cause`): its figures
are judgement, and it is stated with its runner-up. Trips of one fault that follow each other within seconds are one
event, an inverter that retries (`retries`); samples that are missing shortly before a trip leave its cause open.
"""
