"""Voltage curves, rising and falling, fitted to readings with their posterior: pure functions on arrays."""
