"""Dropouts and openings under load that the link shows once the current has ended, and what looks like them.

Oracle: voltages written down in closed form and the moments at which the test switches; the low-pass of the sensing is
scipy's. Nothing here is taken from the simulator. There is no published example of such logs; common practice, no
published source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from one_check import findings_of
from scipy.signal import lfilter
from seeds import crossed, seeds

from logscope.arrays import FloatArray
from logscope.checks.contactors.check import contactors
from logscope.findings import Finding, NothingToCheck
from logscope.signals import Part, Signals
from logscope.vehicle import DcLink, Precharge, Vehicle

VEHICLE = Vehicle(
    precharge=Precharge(resistance_ohm=150, capacitance_uF=1000),
    dc_link=DcLink(bleeder_ohm=47000, discharge_limit_s=300),
)
PACK_V, SOURCE_OHM, OUT_S, OFF_S, END_S = 350.0, 0.1, 8.0, 20.0, 24.0
TICK_S = 0.001
T = np.arange(0.0, END_S, TICK_S)
Curve = Callable[[FloatArray], FloatArray]


def _read(name: str, true: FloatArray, period_s: float, seed: int, lag_s: float = 0.0) -> Part:
    """A quantity, given every millisecond, through a low-pass and sampled with noise and rounding."""
    rng = np.random.default_rng([seed, len(name)])
    if lag_s:
        share = 1 - np.exp(-TICK_S / lag_s)
        true, _ = lfilter([share], [1, share - 1], true, zi=[(1 - share) * true[0]])
    rows = np.rint(np.arange(rng.uniform(0, period_s), END_S - TICK_S, period_s) / TICK_S).astype(int)
    step, noise = (0.1, 0.2) if name.endswith("voltage") else (0.1, 0.3)
    value = np.round((true[rows] + rng.normal(0, noise, rows.size)) / step) * step
    return Part(name, T[rows], value, "V" if name.endswith("voltage") else "A", f"{name}.Value", step)


def _state(name: str, spans: list[tuple[float, float]], period_s: float = 0.1) -> Part:
    time_s = np.arange(0.013, END_S, period_s)
    on = np.any([(time_s >= begin) & (time_s < end) for begin, end in spans], axis=0)
    return Part(name, time_s, on.astype(float), "", f"{name}.State", 1.0, on=on)


def _amps(level: float, until_s: float = OUT_S) -> FloatArray:
    """A load from 5 s on, that ends."""
    return np.where((T >= 5.0) & (until_s > T), level, 0.0)


def _log(
    link: FloatArray,
    amps: FloatArray,
    seed: int = 1,
    *,
    period_s: float = 0.01,
    lag_s: float = 0.0,
    pack: FloatArray | bool = True,
    of: str = "battery_current",
    states: dict[str, list[tuple[float, float]]] | None = None,
) -> Signals:
    """A log of a link, a pack that sags under the current unless given otherwise, and the states."""
    parts = {"dc_link_voltage": _read("dc_link_voltage", link, period_s, seed, lag_s)}
    if pack is not False:
        sagging = PACK_V - SOURCE_OHM * amps if pack is True else pack
        parts["battery_voltage"] = _read("battery_voltage", np.asarray(sagging), 0.1, seed)
    parts[of] = _read(
        of, np.abs(amps) if of == "motor_current" else amps, 0.1 if of == "battery_current" else 0.02, seed
    )
    for name, spans in (states or {}).items():
        parts[name] = _state(name, spans)
    return Signals(parts, 0.0, END_S)


def _found(signals: Signals) -> dict[str, Finding]:
    try:
        return {f.kind.removeprefix("contactor."): f for f in findings_of(contactors, signals, VEHICLE)}
    except NothingToCheck:
        return {}


def _away(amps: FloatArray, to_v: float, out_s: float, at_s: float = OUT_S) -> FloatArray:
    """A link at its pack's sagging voltage that stands elsewhere for a while."""
    return np.where((at_s <= T) & (at_s + out_s > T), to_v, PACK_V - SOURCE_OHM * amps)


@pytest.mark.parametrize("pack", [True, False])
@pytest.mark.parametrize(("period_s", "lag_s", "out_s"), [(0.01, 0.09, 0.04), (0.02, 0.1, 0.05), (0.05, 0.06, 0.1)])
@pytest.mark.parametrize(("amps", "to_v"), [(120.0, 150.0), (-30.0, 560.0)])
def test_a_filter_that_leaves_a_dent_does_not_hide_a_dropout(pack, period_s, lag_s, out_s, amps, to_v):
    current = _amps(amps)
    for seed in range(3):
        signals = _log(_away(current, to_v, out_s), current, seed, period_s=period_s, lag_s=lag_s, pack=pack)
        found = _found(signals)["dropout"]
        assert abs(found.start_s - OUT_S) <= lag_s + 2 * period_s + 0.1
        assert found.measured["count"].value == 1
        assert ("rose because the motor braked" in found.explanation) == (amps < 0)
        assert (found.measured["current_A"].high or 0.0) == pytest.approx(abs(amps), rel=0.05)


@pytest.mark.parametrize(("amps", "to_v"), [(120.0, 225.0), (-120.0, 410.0)])
@pytest.mark.parametrize("current_s", [0.02, 0.1])
def test_a_single_reading_before_the_current_is_seen_to_end_shows_a_dropout(
    amps: float, to_v: float, current_s: float
) -> None:
    """The inverter lives on the capacitor meanwhile, at a voltage that no pack sags to at the same current."""
    current = _amps(amps)
    for seed in range(4):
        signals = _log(_away(current, to_v, 0.1, OUT_S - 0.08), current, seed, period_s=0.1, pack=False)
        motor = _read("motor_current", np.abs(current), current_s, seed)
        parts = {name: part for name, part in signals.parts.items() if name != "battery_current"}
        found = _found(replace(signals, parts=parts | {"motor_current": motor}))["dropout"]
        assert abs(found.start_s - OUT_S) <= 0.11


def test_the_motors_current_alone_shows_a_dropout_under_its_own_name():
    current = _amps(120.0)
    found = _found(_log(_away(current, 150.0, 0.04), current, lag_s=0.09, pack=False, of="motor_current"))["dropout"]
    assert found.measured["current_A"].value is None
    assert (found.measured["motor_current_A"].high or 0.0) == pytest.approx(120.0, rel=0.05)
    assert "(motor current)" in found.explanation


def _surge() -> tuple[FloatArray, FloatArray]:
    current = _amps(120.0) + np.where((T >= OUT_S - 0.06) & (T < OUT_S), 100.0, 0.0)
    return PACK_V - SOURCE_OHM * current, current


def _bled_down() -> FloatArray:
    """Lifted by braking as the contactor opens for good, then down through the pack's level and on."""
    return np.where(T < OUT_S, PACK_V + 3.0, 400.0 * np.exp(-np.maximum(T - OUT_S, 0.0) / 8.0))


SAGGED = PACK_V - SOURCE_OHM * _amps(120.0)
OPEN = {"main_contactor": [(-1.0, OUT_S)]}
SHUT = {"main_contactor": [(-1.0, OFF_S)]}
# What looks like a dropout at the current's end and is none: link, current, and what else is logged.
NONE = {
    "a load that ends": (SAGGED, _amps(120.0), {}),
    "braking that ends": (PACK_V + SOURCE_OHM * _amps(60.0), _amps(-60.0), {}),
    "a surge before a trip, behind a filter": (*_surge(), {"lag_s": 0.08}),
    "a surge before a trip, no pack voltage": (*_surge(), {"lag_s": 0.08, "pack": False}),
    "a load that doubles and ends, no pack voltage": (
        PACK_V - 0.35 * (_amps(120.0) + _amps(120.0) * (T > OUT_S - 0.07)),
        _amps(120.0) + _amps(120.0) * (T > OUT_S - 0.07),
        {"pack": False, "of": "motor_current"},
    ),
    "less than two sensors differ by": (_away(_amps(120.0), 0.96 * PACK_V, 0.1), _amps(120.0), {}),
    "a soft pack that sags as deep elsewhere": (
        np.where((T > 6.0) & (T < 7.0), 290.0, _away(_amps(120.0), 300.0, 0.1)), _amps(120.0), {"pack": False},
    ),
    "a pack that reads the same": (_away(_amps(120.0), 300.0, 0.3), _amps(120.0), {"pack": _away(_amps(120.0), 300.0, 0.3)}),  # noqa: E501
    "no return": (np.where(T < OUT_S, SAGGED, 310.0), _amps(120.0), {"states": SHUT}),
    "a return later than a dropout's": (_away(_amps(120.0), 310.0, 2.5), _amps(120.0), {"states": SHUT}),
    "a precharge between": (
        _away(_amps(120.0), 300.0, 0.8), _amps(120.0), {"states": {"precharge_relay": [(8.3, 8.9)]}},
    ),
    "a state that stays open": (_away(_amps(-30.0), 400.0, 0.4), _amps(-30.0), {"states": OPEN}),
    "no load before": (_away(_amps(2.0), 300.0, 0.1), _amps(2.0), {}),
    "the end of a precharge": (
        np.where(T < OUT_S, 150.0, _away(_amps(10.0), 120.0, 0.05)), _amps(10.0), {"states": SHUT},
    ),
    "braked into, then left to its bleeder": (_bled_down(), _amps(-30.0), {}),
    "braked into, then left to its bleeder, no pack voltage": (_bled_down(), _amps(-30.0), {"pack": False}),
}  # fmt: skip


@pytest.mark.parametrize("name", NONE)
@pytest.mark.parametrize("period_s", [0.01, 0.05])
def test_what_ends_with_the_current_and_is_no_dropout(name: str, period_s: float) -> None:
    link, amps, more = NONE[name]
    assert "dropout" not in _found(_log(link, amps, list(NONE).index(name), period_s=period_s, **more))


@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_zeros_of_a_controller_that_restarts_at_key_off_are_no_dropout_and_no_load(seed: int):
    """The states are open throughout; a regenerating current ended with the key, on stamps of 50 ms."""
    link = np.where(T < OUT_S, PACK_V, PACK_V * np.exp(-np.maximum(T - OUT_S, 0.0) / 47.0))
    link = np.where((T >= 8.35) & (T < 8.39), 0.0, link)
    states = {name: [(2.0, OUT_S)] for name in ("main_contactor", "negative_contactor")}
    signals = _log(link, _amps(-6.0, OUT_S - 0.05), seed, period_s=0.02, states=states)
    silent = signals["dc_link_voltage"]
    silent = silent.where((silent.time_s < 8.05) | (silent.time_s >= 8.35))
    parts = {
        name: replace(part, time_s=np.ceil(part.time_s / 0.05) * 0.05)
        for name, part in {**signals.parts, "dc_link_voltage": silent}.items()
    }
    assert not {"dropout", "opened_under_load"} & _found(replace(signals, parts=parts)).keys()


def _drained(to_v: float = 180.0) -> FloatArray:
    """A load that the inverter goes on drawing empties the link in some 10 ms and stops at what it cannot do with."""
    after = np.maximum(T - OUT_S, 0.0)
    fallen = np.maximum(PACK_V - 17.0 * after / 1e-3, to_v) * np.exp(-after / 47.0)
    return np.where(T < OUT_S, SAGGED, fallen)


@pytest.mark.parametrize(
    ("logged", "sampled"),
    crossed(
        ["no states", "motor current alone", "both"], [(0.005, 0.0), (0.01, 0.09), (0.05, 0.04), (0.2, 0.0)], each=3
    ),
)
def test_an_opening_under_load_is_shown_by_the_link_without_states_or_without_the_packs_current(
    logged: str, sampled: tuple[float, float]
) -> None:
    period_s, lag_s = sampled
    states = {} if logged == "no states" else OPEN
    alone = logged == "motor current alone"
    more = {"pack": False, "of": "motor_current"} if alone else {}
    seed = round(1e3 * (period_s + lag_s))  # one noise for each of the twelve
    found = _found(_log(_drained(), _amps(120.0), seed, period_s=period_s, lag_s=lag_s, states=states, **more))
    opened = found["opened_under_load"]
    assert "dropout" not in found
    assert opened.start_s - 0.25 <= OUT_S <= opened.end_s + 0.05
    assert (opened.measured["motor_current_A" if alone else "current_A"].high or 0.0) >= 115
    assert (opened.measured["current_A"].high is None) == alone
    assert ("No state is logged" in opened.explanation + opened.method) == (logged == "no states")
    assert opened.title.startswith("A contactor" if logged == "no states" else "Main contactor")


def _going_down(how: str) -> FloatArray:
    """What discharges an opened link by design, from its full voltage on."""
    after = np.maximum(T - OUT_S, 0.0)
    down = {
        "resistor": PACK_V * np.exp(-after / 0.4),
        "resistor, stops": np.maximum(PACK_V * np.exp(-after / 1.0), 110.0),
        "windings": np.sqrt(np.maximum(PACK_V**2 * (1 - after / 0.5), 0.0)),
        "bleeder": PACK_V * np.exp(-after / 47.0),
    }[how]
    return np.where(T < OUT_S, SAGGED, down)


@pytest.mark.parametrize(
    ("logged", "how", "period_s"),
    crossed(
        ["no states", "motor current alone", "both"],
        ["resistor", "resistor, stops", "windings", "bleeder"],
        [0.01, 0.05],
        each=3,
    ),
)
def test_a_discharge_by_design_just_after_the_current_is_no_opening_under_load(how, period_s, logged):
    states = {} if logged == "no states" else OPEN
    alone = logged == "motor current alone"
    more = {"pack": False, "of": "motor_current"} if alone else {}
    # the motor's windings are fed until the link is down; the pack's current ended just before the opening
    current = _amps(120.0, OUT_S + 0.5 if alone and how == "windings" else OUT_S - 0.03)
    seed = len(how) + len(logged)  # one noise for each of the 24
    signals = _log(_going_down(how), current, seed, period_s=period_s, states=states, **more)
    assert "opened_under_load" not in _found(signals)
