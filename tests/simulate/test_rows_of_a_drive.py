"""The loop over the rows of a drive with a scripted machine: trips, delays, resets, ramps and what a row holds.

Expected values are counted by hand from the delays and limits that the inverter states. All runs as plain Python.
"""

from __future__ import annotations

from collections.abc import Callable
from math import pi

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.simulate import drive as made
from logscope.simulate.encoder import Disturbance, Encoder
from logscope.simulate.hazel_bus import definitions
from logscope.simulate.link import LinkRows, Supply
from logscope.simulate.machine import Drawn, Electrical, Inverter, Machine
from logscope.simulate.motion import Body, Motion

STEP_S = 1e-4
INVERTER = Inverter()
SUPPLY = Supply(source_ohm=0.1, capacitance_F=1e-3, volts_per_coulomb=1e-3)
Course = Callable[[float], float]  # of the time [s]


class Script:
    """A machine that gives what a course says, step by step, and a shaft that turns at a given speed."""

    def __init__(self, current: Course, power: Course, rpm: float) -> None:
        self.current, self.power, self.rpm = current, power, rpm
        self.step = 0
        self.seen: list[tuple[float, float, float]] = []  # torque target, measured speed [rad/s], link [V]

    def advance(self, machine, inverter, loop, now, wish, measured, rotor, link_V, step_s):  # type: ignore[no-untyped-def]
        at_s = self.step * STEP_S
        self.step += 1
        self.seen.append((wish, measured, link_V))
        return now._replace(id=loop[0]), Drawn(wish / 2, self.power(at_s), self.current(at_s), 77.0)

    def coast(self, machine, now, step_s):  # type: ignore[no-untyped-def]
        self.step += 1
        return now, Drawn(0.0, 0.0, 0.0, 0.0)

    def move(self, body, road, now: Motion, torque_Nm: float, step_s: float) -> Motion:  # type: ignore[no-untyped-def]
        rotor = self.rpm * pi / 30
        return Motion(rotor, 0.0, 0.0, now.angle + rotor * step_s, road.grip * road.ratio)


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[dict[str, FloatArray], Script]]:
    for name in ("advance_link", "torque_wish", "interfere", "count_speed", "read_speed", "retune"):
        monkeypatch.setattr(made, name, getattr(made, name).py_func)
    from logscope.simulate import encoder

    monkeypatch.setattr(encoder, "_counted", encoder._counted.py_func)

    def driven(
        rows: int = 20,
        current: Course = lambda at_s: 10.0,
        power: Course = lambda at_s: 0.0,
        rpm: float = 0.0,
        throttle: float = 0.5,
        base_V: Course = lambda at_s: 300.0,
        powered: tuple[int, int] = (0, 10**6),
        shorted: tuple[int, int] = (0, 0),
        tuned: int = 10**6,
        open_from: int = 10**6,
        dropped: tuple[int, int] = (0, 0),
        ramps: tuple[float, ...] = (1e6, 1e6),
        reset_after_s: float = 1.0,
        fault: tuple[int, int, float] = (0, 0, 0.0),
    ) -> tuple[dict[str, FloatArray], Script]:
        script = Script(current, power, rpm)
        monkeypatch.setattr(made, "advance_machine", script.advance)
        monkeypatch.setattr(made, "coast", script.coast)
        monkeypatch.setattr(made, "advance_motion", script.move)
        at = np.arange(rows)
        windows = rows // 10 + 1
        codes, sizes = np.zeros(windows, dtype=np.int64), np.zeros(windows)
        codes[fault[0] : fault[1]], sizes[fault[0] : fault[1]] = 1, fault[2]
        nothing = np.zeros(windows)
        disturbance = Disturbance(codes, sizes, nothing, nothing, nothing + 1.0, nothing, nothing)
        out = (at >= dropped[0]) & (at < dropped[1])
        link = LinkRows(
            np.array([base_V(row * 1e-3) for row in at]),
            np.ones(rows),
            np.full(rows, 1.0),
            (at < open_from) & ~out,
            out,
        )
        asked = np.column_stack([np.full(rows, value) for value in (throttle, 0.0, 0.0, 0.9, 8.0)])
        loops = np.array([[1.0, 2.0, *[0.0] * 8], [3.0, 4.0, *[0.0] * 8]])
        table = made._run.py_func(
            asked, (at >= powered[0]) & (at < powered[1]), (at >= shorted[0]) & (at < shorted[1]),
            (at >= tuned).astype(np.int64), SUPPLY, link, loops, np.array(ramps), reset_after_s, Body(), Machine(),
            INVERTER, Encoder(), disturbance,
        )  # fmt: skip
        return {name: table[:, k].astype(float) for k, name in enumerate(made.COLUMNS)}, script

    return driven


def first(where: FloatArray) -> int:
    return int(np.flatnonzero(where)[0])


# current, link and short circuit; in which row of a millisecond which fault is there at last
TRIPS: dict[str, tuple[dict[str, object], float, int]] = {
    # above 400 A from 5.8 ms on: 0.3 ms are over with the step that ends at 6.1 ms
    "overcurrent": ({"current": lambda s: 401.0 if s > 0.00575 else 399.0}, made.OVERCURRENT, 6),
    "overcurrent within one row": ({"current": lambda s: 401.0 if s > 0.00505 else 399.0}, made.OVERCURRENT, 5),
    "below 180 V": ({"base_V": lambda s: 179.0 if s > 0.0045 else 181.0}, made.UNDERVOLTAGE, 5),
    "above 400 V": ({"base_V": lambda s: 401.0 if s > 0.0045 else 399.0}, made.OVERVOLTAGE, 5),
    # both are due in the same row: the current's delay is the shorter
    "both": (
        {"base_V": lambda s: 179.0 if s > 0.0045 else 181.0, "current": lambda s: 401.0 if s > 0.00495 else 9.0},
        made.OVERCURRENT, 5,
    ),
    # 300 V over 0.15 mH is 200 A more in each step of 0.1 ms: above 400 A from the third on
    "short circuit": ({"shorted": (7, 12)}, made.OVERCURRENT, 7),
}  # fmt: skip


@pytest.mark.parametrize("name", TRIPS)
def test_a_trip_comes_after_its_delay_and_says_what_it_is(name: str, run) -> None:  # type: ignore[no-untyped-def]
    changed, fault, row = TRIPS[name]
    columns, _ = run(**changed)
    assert first(columns["fault"] > 0) == row
    assert set(columns["fault"][row:]) == {fault}
    assert columns["enabled"].tolist() == [1.0] * row + [0.0] * (20 - row)


@pytest.mark.parametrize(
    "changed",
    [
        {"current": lambda s: 401.0 if round(s * 1e4) % 3 else 399.0},  # two steps of three: never 0.3 ms in one go
        {"current": lambda s: 400.0},
        {"base_V": lambda s: 180.0},
        {"base_V": lambda s: 400.0},
        {"shorted": (7, 8), "base_V": lambda s: 181.0, "current": lambda s: 401.0 if round(s * 1e4) % 3 else 9.0,
         "powered": (10, 20)},
    ],
)  # fmt: skip
def test_what_does_not_last_or_lies_on_the_limit_trips_nothing(changed: dict[str, object], run) -> None:  # type: ignore[no-untyped-def]
    columns, _ = run(**changed)
    assert not columns["fault"].any()
    assert columns["enabled"].any()


def test_a_row_holds_the_largest_current_of_its_steps(run) -> None:  # type: ignore[no-untyped-def]
    columns, _ = run(current=lambda s: 300.0 if round(s * 1e4) == 73 else 20.0)
    assert columns["current_A"].tolist() == [20.0] * 7 + [300.0] + [20.0] * 12
    assert columns["target_A"].tolist() == [77.0] * 20
    short, _ = run(shorted=(7, 12))  # 210, 410, 610, 810 A: 300 V over 0.15 mH for 0.1 ms are 200 A
    assert short["current_A"][7] == pytest.approx(10.0 + 4 * 200.0)


def test_after_a_trip_the_driver_lifts_resets_and_waits(run) -> None:  # type: ignore[no-untyped-def]
    """The foot is off 0.8 s after the trip; reset after 0.9 s; a second later it presses again."""
    columns, _ = run(rows=1960, current=lambda s: 401.0 if 0.00995 < s < 0.011 else 9.0, reset_after_s=0.9)
    tripped = first(columns["fault"] > 0)
    assert tripped == 10
    assert first(columns["throttle"] == 0) == pytest.approx(tripped + 801, abs=1)
    reset = tripped + first(columns["fault"][tripped:] == 0)
    assert reset == pytest.approx(tripped + 900, abs=1)
    assert columns["enabled"][reset] == 1.0
    assert reset + first(columns["throttle"][reset:] > 0) == pytest.approx(reset + 1000, abs=1)


@pytest.mark.parametrize(("throttle", "ramp", "wish"), [(0.5, 2000.0, 80.0), (0.25, 500.0, 40.0)])
def test_torque_is_asked_for_along_its_ramp(throttle: float, ramp: float, wish: float, run) -> None:  # type: ignore[no-untyped-def]
    """At standstill all of 160 Nm: half of them after 40 ms at 2000 Nm/s."""
    columns, script = run(rows=100, throttle=throttle, ramps=(ramp, ramp))
    expected = np.minimum((np.arange(100) + 1) * 1e-3 * ramp, wish)
    assert columns["torque_target_Nm"] == pytest.approx(expected, rel=1e-5)
    assert columns["torque_Nm"] == pytest.approx(expected / 2, rel=1e-5)
    assert script.seen[0][0] == pytest.approx(ramp * STEP_S)


def test_a_released_pedal_brakes_along_its_ramp_where_the_shaft_turns(run) -> None:  # type: ignore[no-untyped-def]
    """28 Nm above 1000 rpm, none below 300; the encoder of 240 counts reads 2000 rpm but for a count in its window."""
    columns, _ = run(rows=60, throttle=0.0, rpm=2000.0, ramps=(2000.0, 2000.0))
    assert columns["torque_target_Nm"][-1] == pytest.approx(-28.0)
    assert columns["torque_target_Nm"].min() == pytest.approx(-28.0)
    assert columns["rotor_rpm"] == pytest.approx(2000.0, rel=1e-5)
    assert columns["reading_rpm"][15:] == pytest.approx(2000.0, abs=25.0)
    assert not columns["deviation_rpm"].any()
    assert columns["speed_kmh"] == pytest.approx(0.9 * 8.0 * 3.6)


def test_the_inverter_smooths_its_reading(run) -> None:  # type: ignore[no-untyped-def]
    """A spike of 1000 rpm for the second window: with a time constant of 2 ms, by Euler steps of 0.1 ms."""
    columns, script = run(rows=30, fault=(1, 2, 1000.0))
    assert columns["reading_rpm"].tolist() == [0.0] * 10 + [1000.0] * 10 + [0.0] * 10
    assert columns["deviation_rpm"].tolist() == columns["reading_rpm"].tolist()
    measured = np.array([each[1] for each in script.seen]) * 30 / pi
    assert measured[:100].tolist() == [0.0] * 100
    assert measured[100:200] == pytest.approx(1000.0 * (1 - 0.95 ** np.arange(1, 101)), rel=1e-9)
    assert measured[200:300] == pytest.approx(measured[199] * 0.95 ** np.arange(1, 101), rel=1e-9)


def test_what_is_drawn_sags_the_link_and_empties_the_pack(run) -> None:  # type: ignore[no-untyped-def]
    """30 kW at 300 V and 0.1 ohm: 10 V by V·(E − V) = R·P to first order, from the voltage of the step before."""
    columns, script = run(rows=50, power=lambda s: 30e3)
    volts = 300.0
    for _ in range(20):
        volts = 300.0 - 0.1 * 30e3 / volts
    assert columns["link_shift_V"][-1] == pytest.approx(volts - 300.0 + columns["drift_V"][-2], rel=1e-3)
    assert columns["pack_A"][-1] == pytest.approx(30e3 / volts, rel=1e-3)
    assert columns["power_W"].tolist() == [30e3] * 50
    assert columns["drift_V"] == pytest.approx(-1e-3 * 1e-3 * np.cumsum(columns["pack_A"]), rel=1e-4)
    assert script.seen[-1][2] == pytest.approx(300.0 + columns["link_shift_V"][-1], rel=1e-5)


def test_an_open_contactor_leaves_no_pack_current_and_one_that_is_back_fills_the_link(run) -> None:  # type: ignore[no-untyped-def]
    columns, _ = run(rows=40, power=lambda s: 3e3, dropped=(10, 20))
    assert not columns["pack_A"][10:20].any()
    fallen = columns["link_shift_V"][19]
    assert fallen < -50.0  # 3 kW for 10 ms out of 1 mF at 300 V, and towards nothing
    drawn = columns["power_W"][20] / (300.0 + columns["link_shift_V"][20])
    filled = 1e-3 * (columns["link_shift_V"][20] - fallen) / 1e-3
    assert columns["pack_A"][20] == pytest.approx(drawn + filled, rel=1e-4)
    assert columns["pack_A"][21] == pytest.approx(
        columns["power_W"][21] / (300.0 + columns["link_shift_V"][21]), rel=1e-4
    )
    opened, _ = run(rows=40, power=lambda s: 0.0, open_from=20)
    assert not opened["pack_A"][20:].any()


def test_gains_that_change_are_handed_over_once(run, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    handed = []

    def retuned(before: FloatArray, after: FloatArray, now: Electrical) -> Electrical:
        handed.append((before[0], after[0], now.id))
        return now

    monkeypatch.setattr(made, "retune", retuned)
    columns, _ = run(rows=30, tuned=12, ramps=(1000.0, 3000.0))
    assert handed == [(1.0, 3.0, 1.0)]  # the state comes from the loop before
    assert np.diff(columns["torque_target_Nm"])[[5, 20]] == pytest.approx([1.0, 3.0], rel=1e-4)


def test_without_power_nothing_is_asked_for(run) -> None:  # type: ignore[no-untyped-def]
    columns, script = run(rows=30, powered=(10, 20))
    assert columns["enabled"].tolist() == [0.0] * 10 + [1.0] * 10 + [0.0] * 10
    assert columns["torque_target_Nm"].tolist() == [0.0] * 10 + [80.0] * 10 + [0.0] * 10
    assert len(script.seen) == 100
    assert columns["throttle"].tolist() == [0.5] * 30


def test_delays_begin_anew_once_the_gates_were_off(run) -> None:  # type: ignore[no-untyped-def]
    """0.2 ms above the limit before and after a pause are not 0.3 ms; neither do volts or a short add up across it."""
    columns, _ = run(rows=30, current=lambda s: 401.0 if 0.00975 < s < 0.0201 else 9.0, powered=(0, 10))
    assert not columns["fault"].any()
    brief, _ = run(rows=31, current=lambda s: 401.0 if 0.00975 < s < 0.00995 or 0.01995 < s < 0.02015 else 9.0)
    assert not brief["fault"].any()

    def again(**changed: object) -> list[float]:
        """The rows in which a trip begins, reset after 5 ms: the cause comes twice, the second time too short."""
        columns, _ = run(rows=40, reset_after_s=0.005, **changed)
        return np.flatnonzero(np.diff(columns["fault"]) > 0).tolist()

    assert again(current=lambda s: 401.0 if 0.00495 < s < 0.00525 or 0.02 < s < 0.0201 else 9.0) == [4]
    assert again(base_V=lambda s: 100.0 if s == 0.005 else 300.0) == [4]


def test_fault_codes_are_those_of_the_definition_that_hazel_sends_by() -> None:
    message = definitions().get_message_by_name("Inverter")
    words = {int(code): str(name) for code, name in message.get_signal_by_name("Fault").choices.items()}
    codes = {"under": made.UNDERVOLTAGE, "over": made.OVERVOLTAGE, "current": made.OVERCURRENT}
    assert words[int(made.NO_FAULT)].lower() == "none"
    assert "under" in words[int(codes["under"])].lower()
    assert "overvoltage" in words[int(codes["over"])].lower().replace(" ", "")
    assert "overcurrent" in words[int(codes["current"])].lower().replace(" ", "")
