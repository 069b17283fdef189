"""Discharge of the link after each opening of the contactors: `fit` (the curve), `measure` (one opening), `judge` (the
kind), `words` (what the finding says), `check` (the check itself). The openings are found in `checks/openings.py`.
"""
