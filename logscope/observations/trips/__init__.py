"""The trips of the inverter."""
