"""What was truly wrong on the 12 V side of a played drive."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from logscope.simulate.aux_supply import Span
from logscope.simulate.drive import Drive
from logscope.simulate.hazel_rest import brake_pump_spans, steering_spans
from logscope.simulate.sampling import within
from logscope.simulate.truth import TruthEvent

_STEP_S = 0.01
_OFF_V = 0.5  # of its set-point: a converter that is further off is set wrong, or sags
_SET_V = 13.8  # as in hazel.toml
_LASTS_S, _STARTS_S = 6.0, 10.0  # that it must be off its set-point, or not run, to be a fault and no transient
_EMPTY_V, _HIGH_OHM = 11.5, 0.1


def low_voltage_truth(drive: Drive) -> Iterator[TruthEvent]:
    """Converter, battery and joints, and a pump that another one feeds."""
    aux = drive.scenario.aux
    at_rest_V = aux.battery_V - aux.battery_ohm * aux.base_A
    if at_rest_V < _EMPTY_V:
        first_s = next((begin_s for begin_s, _ in drive.high_voltage.closed), drive.scenario.duration_s)
        yield TruthEvent("aux.supply", 0.0, first_s, "empty_battery", {"level_V": at_rest_V})
    for begin_s, end_s in drive.high_voltage.closed:
        yield from _converter(drive, begin_s, end_s)
        yield from _resistance(drive, begin_s, end_s)
    for begin_s, end_s in aux.loose:
        yield TruthEvent("aux.dip", begin_s, end_s, "loose_connection")
    if aux.brake_pump_fed_by_steering:
        time_s = np.arange(0.0, drive.scenario.duration_s, _STEP_S)
        fed = within(steering_spans(drive), time_s) & ~within(brake_pump_spans(drive), time_s)
        for begin_s, end_s in _spans(fed):
            yield TruthEvent("aux.backfeed", begin_s, end_s)


def _converter(drive: Drive, begin_s: float, end_s: float) -> Iterator[TruthEvent]:
    aux = drive.scenario.aux
    runs_s = (begin_s + aux.converter_delay_s, min(aux.converter_stops_s, end_s))
    if aux.converter_delay_s > _STARTS_S:
        yield TruthEvent("aux.supply", begin_s, min(runs_s[0], end_s), "never_ran")
    if end_s - aux.converter_stops_s > _STARTS_S:
        yield TruthEvent("aux.supply", aux.converter_stops_s, end_s, "stopped")
    if runs_s[1] <= runs_s[0]:
        return
    if aux.converter_V > _SET_V + _OFF_V:
        yield TruthEvent("aux.supply", *runs_s, "over_voltage")
    if aux.sags_V_per_s:
        from_s = aux.sags_from_s + (aux.converter_V - _SET_V + _OFF_V) / aux.sags_V_per_s
        if runs_s[1] - from_s > _LASTS_S:
            yield TruthEvent("aux.supply", from_s, runs_s[1], "sagging")


def _resistance(drive: Drive, begin_s: float, end_s: float) -> Iterator[TruthEvent]:
    """A source with too much resistance, where a pump starts while it alone feeds the side."""
    aux = drive.scenario.aux
    values = {}
    starts = [since_s for since_s, _ in (*steering_spans(drive), *brake_pump_spans(drive)) if begin_s < since_s < end_s]
    alone = any(since_s < begin_s + aux.converter_delay_s or since_s > aux.converter_stops_s for since_s in starts)
    if aux.battery_ohm > _HIGH_OHM and alone:
        values["low_voltage_battery_ohm"] = aux.battery_ohm
    if aux.converter_ohm > _HIGH_OHM and not all(since_s < begin_s + aux.converter_delay_s for since_s in starts):
        values["converter_resistance_ohm"] = aux.converter_ohm
        values["source_resistance_ohm"] = 1.0 / (1.0 / aux.converter_ohm + 1.0 / aux.charge_ohm)
    if values:
        yield TruthEvent("aux.dip", begin_s, end_s, "source_resistance", values)


def _spans(where: NDArray[np.bool_]) -> list[Span]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], where.view(np.int8), [0]))))
    return [(float(a) * _STEP_S, float(b) * _STEP_S) for a, b in zip(edges[::2], edges[1::2], strict=True)]
