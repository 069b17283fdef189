"""Which openings of a contactor under current a log can show, by what it holds and never by what a check says of it.

The states of the simulated vehicle are the controller's commands, so that a contactor that opens by itself shows in
the link voltage alone. Two sensors of one voltage may each be off by 5 % (common practice, no published source): an
opening counts as shown where at least one reading of the link lies by more than both together, a tenth of the pack's
voltage, outside all that the pack's terminals stood at about it. Sampling that falls beside a short collapse, and a
filter that smooths it away, leave no such reading.
"""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.simulate.drive import Drive
from logscope.simulate.truth import TruthEvent

OPENINGS = ("contactor.dropout", "contactor.opened_under_load")
SHOWN_SHARE = 0.10
_BEFORE_S = 0.5  # in which the loaded pack stood at what a connected link may read
_AFTER_S = 1.0  # by when every filter, burst and slow sensor has passed the reading on
_NO_VOLTAGE = 2.5  # times the pack's voltage: a mark for "no value", not a reading


def shown(event: TruthEvent, drive: Drive, time_s: FloatArray, link_v: FloatArray) -> bool:
    """Whether readings of the link, sent at moments on the drive's clock, show an opening."""
    circuit = drive.scenario.circuit
    rest_v = circuit.open_circuit_V + drive.column("drift_V")
    terminal_v = rest_v - circuit.pack_ohm * drive.column("pack_A")
    rows = (drive.time_s >= event.start_s - _BEFORE_S) & (drive.time_s < event.start_s)
    stood = np.concatenate([terminal_v[rows], rest_v[rows]])
    seen = link_v[(time_s > event.start_s) & (time_s <= event.end_s + _AFTER_S)]
    margin_v = SHOWN_SHARE * circuit.open_circuit_V
    seen = seen[seen < _NO_VOLTAGE * circuit.open_circuit_V]
    return bool(np.any((seen < stood.min() - margin_v) | (seen > stood.max() + margin_v)))
