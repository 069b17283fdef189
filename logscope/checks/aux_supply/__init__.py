"""The 12 V side: its levels with the converter running and stopped, dips when something switches, back-feed.

The converter runs where its current says so, else where its state says so, else where the level is one that no
battery at rest has; where these contradict each other or are silent, it is unknown (`side`). Levels are medians of
short blocks with the converter in one state, away from its switching (`levels`). Resistance comes from clear steps of a
known current within one such state, for battery and converter answer differently (`resistance`). A dip belongs to what
switched on just before it (`dips`), and one that nothing logged explains is a connection only where the currents are
known not to have risen (`unexplained`). Back-feed is shown by current or voltage of a load whose switch is open
(`backfeed`); states that always switch together are noted there and never a fault by themselves.
"""
