"""Is the bus healthy: its load, its error frames, the nodes on it, and messages that do not arrive as they should.

What looks alike and is no fault is left out: what a logger lost, a bus that sleeps, a log that begins or ends, messages
on events, and nodes that go to sleep one after the other.
"""
