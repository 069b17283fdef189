"""Simulated drives for the demo and the tests. Shares no code with the checks that judge them."""
