"""Estimators: pure functions on arrays, with what they assume and their sources."""
