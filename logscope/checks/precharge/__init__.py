"""Precharge: find each attempt, find where the contactor closed, fit the curve, judge it, put it into words.

In the order of the data: `find`, `closing`, `fit`, `measure` (which joins these three), `judge`, `words`, `check`.
"""
