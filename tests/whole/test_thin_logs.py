"""Every check on what little a log may hold: a part of one sample, equal stamps, nothing that moves."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from one_check import findings_of

import logscope
from logscope.findings import Finding, NothingToCheck
from logscope.pipeline import checks
from logscope.signals import MissingPart, Part, Signals
from logscope.vehicle import Vehicle

ROOT = Path(__file__).parents[2]
END_S = 12.0  # a precharge and the first disturbances


def first_samples(count: int) -> Callable[[Part], Part]:
    return lambda part: _rows(part, slice(0, count))


def at_one_moment(part: Part) -> Part:
    return replace(part, time_s=np.full(part.time_s.size, 1.0))


def at_rest(part: Part) -> Part:
    return replace(part, value=np.zeros(part.value.size))


def never_moving(part: Part) -> Part:
    return replace(part, value=np.full(part.value.size, float(part.value[-1])))


THINNED = {
    "one sample": first_samples(1),
    "two samples": first_samples(2),
    "five samples": first_samples(5),
    "one moment": at_one_moment,
    "zero": at_rest,
    "constant": never_moving,
}


def _rows(part: Part, rows: slice) -> Part:
    states = {
        name: None if (state := getattr(part, name)) is None else state[rows]
        for name in ("on", "overcurrent", "healthy")
    }
    return replace(part, time_s=part.time_s[rows], value=part.value[rows], **states)


@pytest.fixture(scope="module")
def vehicle() -> Vehicle:
    return logscope.load_vehicle(ROOT / "decoders" / "hazel.toml")


@pytest.fixture(scope="module")
def whole(vehicle: Vehicle) -> Signals:
    result = logscope.check(logscope.read(ROOT / "sample_logs" / "hazel-troubled.log"), vehicle)
    assert result.signals is not None
    parts = {name: _rows(part, part.between(0.0, END_S)) for name, part in result.signals.parts.items()}
    return Signals(parts, 0.0, END_S)


@pytest.mark.parametrize("how", THINNED)
@pytest.mark.parametrize("check", [name for name, _ in checks()])
def test_a_check_of_a_thin_log_ends_in_findings_or_in_a_reason(
    vehicle: Vehicle, whole: Signals, check: str, how: str
) -> None:
    run = dict(checks())[check]
    thin = THINNED[how]
    everything = Signals({name: thin(part) for name, part in whole.parts.items()}, 0.0, END_S)
    one_by_one = [
        Signals({**whole.parts, name: thin(part)}, 0.0, END_S)
        for name, part in whole.parts.items()
        if check != "precharge" or name in ("dc_link_voltage", "battery_voltage", "battery_current", "main_contactor")
    ]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for signals in (everything, *one_by_one):
            try:
                found = findings_of(run, signals, vehicle)
            except (MissingPart, NothingToCheck):
                continue
            assert all(isinstance(each, Finding) for each in found)
