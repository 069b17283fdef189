"""Every check on what little a log may hold: a part of one sample, equal stamps, nothing that moves."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest
from one_check import findings_of

import logscope
from logscope.checks.needs import NEEDS
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


# Each part thin by itself among whole ones: one value, one moment, and nothing that moves.
ONE_BY_ONE = ("one sample", "one moment", "constant")


def _rows(part: Part, rows: slice) -> Part:
    states = {
        name: None if (state := getattr(part, name)) is None else state[rows]
        for name in ("on", "overcurrent", "healthy")
    }
    return replace(part, time_s=part.time_s[rows], value=part.value[rows], **states)


@cache
def _vehicle() -> Vehicle:
    return logscope.load_vehicle(ROOT / "decoders" / "hazel.toml")


@cache
def _whole() -> Signals:
    log = ROOT / "sample_logs" / "hazel-troubled.log"
    result = logscope.check(logscope.read(log), _vehicle(), only=["regeneration"])  # for its signals alone
    parts = {name: _rows(part, part.between(0.0, END_S)) for name, part in result.signals.parts.items()}
    return Signals(parts, 0.0, END_S)


class _Watched(Signals):
    """Signals that note which parts they are asked for; copies of them note into the same set."""

    asked: ClassVar[set[str]] = set()

    def get(self, name: str) -> Part | None:
        _Watched.asked.add(name)
        return super().get(name)


@cache
def _asked(check: str) -> frozenset[str]:
    """The parts that a check asks for on the whole log.

    A log in which another part is thin is the same log to it: the check cannot come to where it would ask for that
    part. What looks at all parts at once has all of them.
    """
    _Watched.asked.clear()
    whole = _whole()
    if check in LOOKS_AT_ALL:
        return frozenset(whole.parts)
    with suppress(MissingPart, NothingToCheck):
        findings_of(dict(checks())[check], _Watched(whole.parts, whole.start_s, whole.end_s), _vehicle())
    return frozenset(_Watched.asked)


LOOKS_AT_ALL = ("encoder", "bus")  # a silence of one message shows by those of others


def test_a_check_asks_for_the_parts_it_needs() -> None:
    for needs in NEEDS.values():
        assert not needs.any_of or any(set(parts) <= _asked(needs.check) for parts in needs.any_of), needs.check


@pytest.mark.parametrize("how", THINNED)
@pytest.mark.parametrize("check", [name for name, _ in checks()])
def test_a_check_of_a_thin_log_ends_in_findings_or_in_a_reason(check: str, how: str) -> None:
    run, thin, whole = dict(checks())[check], THINNED[how], _whole()
    everything = Signals({name: thin(part) for name, part in whole.parts.items()}, 0.0, END_S)
    one_by_one = [
        Signals({**whole.parts, name: thin(part)}, 0.0, END_S)
        for name, part in whole.parts.items()
        if how in ONE_BY_ONE and name in _asked(check)
    ]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for signals in (everything, *one_by_one):
            try:
                found = findings_of(run, signals, _vehicle())
            except (MissingPart, NothingToCheck):
                continue
            assert all(isinstance(each, Finding) for each in found)
