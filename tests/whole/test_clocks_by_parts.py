"""Which clock a log is brought onto, by how much, and which logs are one recording: made spans and made fits.

True by arithmetic. The fit of two signals itself is tested with `statistics.alignment`.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.capture.shift import Shift
from logscope.clocks import ALIKE, Joined, SeenLog, by_hand, by_recording, by_signals
from logscope.errors import LogError, RequestError
from logscope.joint_clock import JointClock
from logscope.signals import Part, Signals
from logscope.statistics import alignment
from logscope.statistics.alignment import Alignment, NotAligned

S = 1_000_000_000
DATE = 1_700_000_000 * S


def log(
    name: str, start_s: float = 0.0, end_s: float = 60.0, *parts: str, dated: bool = False, serial: bool = False
) -> SeenLog:
    """A log with parts that are marked by their place in `parts`, so that a made fit knows them."""
    zero = DATE if dated else 0
    at = np.arange(0.0, 10.0, 0.1)
    made = {each: Part(each, at, np.full(at.size, float(k)), "", f"A.{each}") for k, each in enumerate(parts)}
    return SeenLog(
        name, zero + round(start_s * S), zero + round(end_s * S), dated, serial, Signals(made, 0.0, end_s - start_s)
    )


def fit(offset_s: float = 5.0, half_s: float = 0.01, drift: float = 20e-6, middle_s: float = 1000.0) -> Alignment:
    return Alignment(
        middle_s,
        offset_s,
        offset_s - half_s,
        offset_s + half_s,
        drift,
        drift - 5e-6,
        drift + 8e-6,
        0.002,
        9,
        0.95,
        50.0,
    )


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch) -> dict[tuple[float, float], Alignment | NotAligned]:
    """What a pair of parts, by their marks, gives."""
    known: dict[tuple[float, float], Alignment | NotAligned] = {}

    def made(first_s: object, first: np.ndarray, second_s: object, second: np.ndarray) -> Alignment | NotAligned:
        return known.get((float(first[0]), float(second[0])), NotAligned("too still"))

    monkeypatch.setattr(alignment, "align_clocks", made)
    return known


def test_quantities_that_move_at_one_moment_are_alike() -> None:
    assert ALIKE == (
        ("motor_speed", "motor_speed_second"), ("motor_current",), ("battery_current",),
        ("dc_link_voltage", "dc_link_voltage_second"), ("battery_voltage",), ("torque",), ("vehicle_speed",),
        ("throttle", "throttle_second"),
    )  # fmt: skip


def test_by_hand_each_further_log_starts_so_long_after_the_first() -> None:
    logs = [log("a", 10.0), log("b", 3.0), log("c", 100.0)]
    assert by_hand(logs, [2.5, -1.0]) == [
        None,
        Joined(Shift(round(9.5 * S)), JointClock("b", "a", 2.5)),
        Joined(Shift(-91 * S), JointClock("c", "a", -1.0)),
    ]
    with pytest.raises(RequestError, match="--align is given 1 times for 3 logs"):
        by_hand(logs, [1.0])


def test_a_log_is_shifted_and_its_rate_mended_by_the_fit(fits: dict) -> None:  # type: ignore[type-arg]
    """1000 s after its start it stands 5 s after the reference, 20 ppm slow: it starts at 5 s − 20 ms."""
    fits[(0.0, 0.0)] = fit()
    reference, console = log("a", 10.0, 60.0, "torque"), log("b", 3.0, 60.0, "torque", serial=True)
    first, joined = by_signals([reference, console])
    assert first is None
    assert joined is not None
    assert joined.shift == Shift(12 * S, 20e-6, 1003 * S)
    clock = joined.clock
    assert (clock.file, clock.reference, clock.seen_in) == ("b", "a", "torque")
    # 10 ms, and 8 ppm more of a drift over 1000 s
    assert (clock.starts_s, clock.low_s, clock.high_s) == pytest.approx((4.98, 4.962, 4.998))
    assert (clock.drift_ppm, clock.drift_low_ppm, clock.drift_high_ppm) == pytest.approx((20.0, 15.0, 28.0))
    assert clock.residual_s == 0.002


def test_the_reference_is_the_first_log_with_dates_or_the_first(fits: dict) -> None:  # type: ignore[type-arg]
    fits[(0.0, 0.0)] = fit()
    plain, dated = log("a", 0.0, 60.0, "torque"), log("b", 0.0, 60.0, "torque", dated=True)
    first, second = by_signals([plain, dated])
    assert second is None
    assert first is not None
    assert (first.clock.file, first.clock.reference) == ("a", "b")
    first, second = by_signals([plain, log("c", 0.0, 60.0, "torque", serial=True)])
    assert first is None
    assert second is not None


def test_the_part_with_the_narrowest_limits_gives_the_clock_and_a_second_source_will_do(fits: dict) -> None:  # type: ignore[type-arg]
    fits[(0.0, 0.0)], fits[(1.0, 1.0)] = fit(5.0, 0.05), fit(6.0, 0.02)
    one = log("a", 0.0, 60.0, "torque", "motor_speed")
    other = log("b", 0.0, 60.0, "torque", "motor_speed_second", serial=True)
    joined = by_signals([one, other])[1]
    assert joined is not None
    assert (joined.clock.seen_in, joined.shift.offset_ns) == ("motor_speed_second", 6 * S)


@pytest.mark.parametrize(("offset_s", "moved"), [(0.04, False), (0.06, True), (-0.04, False), (-0.06, True)])
def test_clocks_within_half_a_period_are_one(fits: dict, offset_s: float, moved: bool) -> None:  # type: ignore[type-arg]
    """Ten readings a second. Two consoles, or two CAN logs, with no dates count from one zero."""
    fits[(0.0, 0.0)] = fit(offset_s)
    one, other = log("a", 0.0, 60.0, "torque"), log("b", 0.0, 60.0, "torque")
    assert (by_signals([one, other])[1] is not None) is moved
    assert by_signals([one, log("b", 0.0, 60.0, "torque", serial=True)])[1] is not None


def test_clocks_that_nothing_relates_stay_where_the_loggers_agree_and_are_refused_where_they_cannot(fits: dict) -> None:  # type: ignore[type-arg]
    one = log("a", 0.0, 60.0, "torque")
    assert by_signals([one, log("b", 0.0, 60.0, "torque")]) == [None, None]
    with pytest.raises(LogError, match=r"^b: these logs are on different clocks.*torque: too still"):
        by_signals([one, log("b", 0.0, 60.0, "torque", serial=True)])
    with pytest.raises(LogError, match="no mapped quantity is in both logs"):
        by_signals([one, log("b", 0.0, 60.0, "slip", serial=True)])


@pytest.mark.parametrize(("apart_s", "moved"), [(3599.0, True), (3601.0, False)])
def test_dated_logs_an_hour_apart_follow_each_other(fits: dict, apart_s: float, moved: bool) -> None:  # type: ignore[type-arg]
    fits[(0.0, 0.0)] = fit(9.0)
    one, other = (log("a", 0.0, 60.0, "torque", dated=True),
                  log("b", 60.0 + apart_s, 5000.0, "torque", dated=True))  # fmt: skip
    assert (by_signals([one, other])[1] is not None) is moved
    assert (by_signals([other, one])[1] is not None) is moved


def names(groups: list[list[SeenLog]]) -> list[str]:
    return ["".join(each.file for each in group) for group in groups]


def test_dated_logs_that_overlap_are_one_recording(fits: dict) -> None:  # type: ignore[type-arg]
    a, b, c = (log(name, *span, dated=True) for name, span in
               (("a", (0.0, 60.0)), ("b", (59.0, 90.0)), ("c", (90.0, 99.0))))  # fmt: skip
    assert names(by_recording([a, b, c])) == ["ab", "c"]
    assert names(by_recording([a, c, b])) == ["ab", "c"]
    assert names(by_recording([a, log("d", 10.0, 20.0, dated=True)])) == ["ad"]
    fits[(0.0, 0.0)] = fit()
    console, other = log("e", 0.0, 60.0, "torque"), log("f", 0.0, 60.0, "slip")
    assert names(by_recording([log("g", 0.0, 60.0, "torque", dated=True), console, other])) == ["ge", "f"]
