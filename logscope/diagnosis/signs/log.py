"""What makes a sound vehicle look wrong: definitions, mapping, identifiers and the clock."""

from __future__ import annotations

from logscope.diagnosis.signs.shown import by_kind, by_topic
from logscope.diagnosis.signs.sign import OFTEN_ALONE, Sign
from logscope.findings import Severity

SIGNS = (
    Sign(
        "mapping",
        "a part does not fit the others",
        "all parts fit together",
        by_topic("mapping", but=("mapping.no_value",)),
    ),
    Sign(
        "unfilled",
        "a signal that is mapped is never filled",
        "every mapped signal is filled",
        by_kind("mapping.no_value"),
    ),
    Sign(
        "two_contents",
        "one identifier carries two contents",
        "each identifier has one content",
        by_kind("bus.two_contents", "bus.two_senders"),
    ),
    Sign(
        "silent",
        "a message is missing while others continue",
        "every message continues",
        by_kind("capture.message_silent", "bus.node_restart", "bus.node_absent", from_severity=Severity.INFO),
        OFTEN_ALONE,
    ),
    Sign(
        "clock",
        "the log's clock is wrong",
        "the log's clock is sound",
        by_kind("capture.time_step", "capture.time_unit"),
    ),
)
