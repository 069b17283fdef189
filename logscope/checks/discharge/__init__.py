"""Discharge of the link after each opening of the contactors.

`measure` (one opening), `judge` (the kind), `text` (what the finding says), `check` (the check itself). The openings
are an observation (`observations/dc_link`), the curve is that of `curves/discharge`.

A fall is fitted with the same error of a reading (`curves/reading_error`). There, stamps on a coarse grid give way to
the count of messages where all stamps lie within one step of a line (`counted_times`); what lines remain possible
goes into the limits, and so does the likeness of neighbouring readings (`wider_by_correlation`, on the scores of the
fit).
"""
