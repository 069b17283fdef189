"""Precharge: find each attempt, fit its curve, judge it, put it into words.

In the order of the data: `find` (attempts), `closing` and `settling` (where the contactor closed, without
and behind a sensing lag), `fit` (the curve), `measure` (these
three together), `witness` (what else shows RC), `compare` (with R·C), `judge` (the kind), `values`, `evidence` and
`words` (what the finding states, draws and says), `stress` and `overload` (heat in the resistor), `drift` (over the
attempts), `check` (the check itself).
"""
