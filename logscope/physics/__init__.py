"""Formulas of circuits and motion: pure functions on numbers and arrays, with units and sources."""
