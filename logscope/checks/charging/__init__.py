"""Charging: how each charge went, how it ended, and what it came near to.

Every session of `observations/charging` gets one finding that says how it ended: complete, stopped, or undetermined.
What went wrong on the way gets findings of its own. A charger's meter, a pack's and the cells' are three sources that
agree to half a percent at the best: what lies within that is no verdict.
"""
