"""What tripped the inverter, and what led to it.

`events` finds the trips, `surge` the current's rise before them, `signs` and `current_signs` what led there in what
`order`; `cause` weighs the signs, `pattern` compares trips, `near` finds what was close. `check` puts it together.
"""
