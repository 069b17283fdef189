"""Logs into columns: frames, and the account of what a log held. Knows nothing of signals."""
