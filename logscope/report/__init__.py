"""Arranges, formats and draws a result: HTML page, JSON, terminal summary, DataFrame. Computes nothing."""
