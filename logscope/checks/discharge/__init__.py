"""Discharge of the link after each opening of the contactors.

`measure` (one opening), `judge` (the kind), `text` (what the finding says), `check` (the check itself). The openings
are an observation (`observations/dc_link`), the curve is that of `curves/discharge`.

A fall is fitted with the same error of a reading (`curves/reading_error`). There, stamps on a coarse grid give way to
the count of messages where all stamps lie within one step of a line (`counted_times`); what lines remain possible
goes into the limits, and so does the likeness of neighbouring readings (`wider_by_correlation`, on the scores of the
fit).

What is extrapolated to 60 V allows for what the readings leave open: a rate that changes with the voltage, as of a
bleeder that warms, and a link that comes to rest on its way; each counts by its evidence (`curves/discharge`). A load
that draws as much or more at less voltage is a converter, which cuts out on the way: it has no upper limit. A link that
heads for a level of its own is said to stay live only once it is long seen at rest there.
"""
