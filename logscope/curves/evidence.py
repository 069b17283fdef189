"""What a fitted curve has to show before anything is said of it."""

from __future__ import annotations

# An S-shape is distinguished from a plain exponential when its odds are at least this: common usage calls 20:1 strong.
LAG_ODDS = 20.0
SURE_SHARE = 1 - 1 / (1 + LAG_ODDS)  # of the probability, for strong odds against all others together
MISFIT_CORRELATION = 0.4  # from here on one residual tells the sign of the next, and the misfit is no noise
# A curve within this share of its end has settled: more than 3 time constants have passed.
SETTLED_SHARE = 0.95
