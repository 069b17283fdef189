"""How near the limits of the vehicle file were come."""
