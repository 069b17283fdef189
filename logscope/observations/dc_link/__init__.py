"""The DC link: its voltage, precharge attempts, and the openings of its contactors.

A state is known to change between its last message before, less a lag (`state_lag_s`), and the message that shows it;
two states of different messages are ordered only where these spans leave no doubt (`contactors/order`), and states of
one message change together. A stretch without a path is split where the link falls only once a second contactor
opens: until then the first one held it (`openings`, `held_until`). What rises above the pack, or while relay and
contactor surely stay open, is braking; what rises where the pack's own readings or current go along is a pack that
recovers (`attempts`). Times of a fall count from what the log shows: an opening, the log's beginning, or the link's
first reading. Where falls of one link, or the two ends of one, differ beyond their limits, no single exponential
holds, and an extrapolation is allowed to be as much faster or slower again (`discharge/measure`, `allowing_for`).
"""
