"""Braking with the motor."""
