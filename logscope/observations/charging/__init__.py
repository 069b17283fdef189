"""Charging sessions: when a charger fed the battery, and the phases of each charge.

A session is a stretch of charging current. Its phases are read from current and voltage alone, since states of chargers
differ: the current *rises*, is held *constant*, then the *voltage* is, while the current tapers. A request that is
logged is compared with them, never taken for them.
"""
