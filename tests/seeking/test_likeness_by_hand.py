"""What a battery, a link, a speed and a temperature look like: made series with likeness by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logscope.seeking.likeness import battery, driving, link, link_cycles, thermal


def parts(*runs: tuple[int, float]) -> np.ndarray:
    """Values that hold for so many samples each."""
    return np.concatenate([np.full(count, value) for count, value in runs])


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        (parts((100, 30.0)), 1.0),
        (parts((100, 29.9)), 0.0),
        (parts((40, 0.0), (60, 400.0)), 0.6),  # there for 60 % of the time
        (parts((40, 200.0), (60, 400.0)), 0.6),  # half of its level is not there yet
        (parts((40, 202.0), (60, 400.0)), 0.0),  # there, and far from its level
        (parts((50, 300.0), (50, 400.0)), 0.5),  # leaves a quarter of its level
        (parts((50, 275.0), (50, 400.0)), 0.25),
        (parts((50, 360.0), (50, 400.0)), 1.0),
        (parts((97, 400.0), (3, 300.0)), 0.5),  # three of a hundred samples count
        (parts((98, 400.0), (2, 300.0)), 1.0),  # two do not
        (parts((99, 400.0), (1, 800.0)), 1.0),  # nor does a single wild one
    ],
)
def test_a_level_is_a_battery_where_it_stays(row: np.ndarray, expected: float) -> None:
    assert battery.levels(row) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("dead", "asleep"), [(0.0, True), (200.0, True), (201.0, False)])
def test_a_sag_is_what_the_voltage_loses_within_ten_seconds(dead: float, asleep: bool) -> None:
    volts = parts((200, dead), (300, 400.0), (10, 390.0), (290, 400.0))
    found = battery.sag(volts, 0.1)
    # the mean of the ten seconds around the dip has lost a tenth of 10 V
    assert found[505] == pytest.approx(9.0)
    assert found[400] == pytest.approx(0.0, abs=1e-9)
    assert bool(abs(found[205]) < 1e-9) is asleep


@pytest.mark.parametrize(("step_s", "peak"), [(0.05, 1 / (0.25 * math.sqrt(2 * math.pi))), (1.0, 0.3205)])
def test_a_step_of_speed_is_smoothed_over_a_quarter_of_a_second(step_s: float, peak: float) -> None:
    """The density of a normal distribution at its middle; of one point's width, (φ(0) + φ(1)) / 2."""
    found = driving.acceleration(parts((200, 0.0), (200, 1.0)), step_s)
    assert found.max() == pytest.approx(peak, rel=0.01)
    assert int(np.argmax(found)) in (199, 200)


@pytest.mark.parametrize(
    ("row", "step_s", "slow"),
    [
        (np.r_[np.zeros(100), np.linspace(0, 20.0, 60)], 0.05, True),
        (np.r_[np.zeros(100), np.linspace(0, 19.9, 60)], 0.05, False),  # too few counts
        (np.r_[np.zeros(100), np.linspace(0, 100.0, 53)], 0.05, True),  # 9.6 % of its span in a quarter of a second
        (np.r_[np.zeros(100), np.linspace(0, 100.0, 48)], 0.05, False),  # 10.6 %
        (np.r_[np.zeros(20), np.arange(980.0)], 0.05, True),  # rests for 2.1 % of the time
        (np.r_[np.zeros(18), np.arange(980.0)], 0.05, False),  # 1.9 %
        (np.r_[np.zeros(20), 0, 24.0, 48, 72, 96, 100], 1.0, True),  # a quarter of its span in a step of a second
        (np.r_[np.zeros(20), 0, 26.0, 52, 78, 100], 1.0, False),
    ],
)
def test_a_speed_rests_and_moves_slowly(row: np.ndarray, step_s: float, slow: bool) -> None:
    assert driving._moves_slowly(row, step_s) is slow


def test_a_field_is_a_speed_where_its_change_goes_with_another_field_that_is_no_speed() -> None:
    at = np.arange(0.0, 60.0, 0.05)
    speed = np.where(at > 20, 1000 * np.sin(np.pi * (at - 20) / 40) ** 2, 0.0)
    force = np.gradient(speed, 0.05)
    hiss = np.random.default_rng(1).uniform(0, 100, at.size)
    alone = driving.speedlike(np.array([speed, hiss]), 0.05)
    assert alone.max() < 0.3
    found = driving.speedlike(np.array([speed, -force, hiss]), 0.05)
    assert found[0] > 0.99
    assert found[2] == 0.0
    # a second reading of the speed is no force of it, and a force at another time is none
    assert driving.speedlike(np.array([speed, 2 * speed + 5]), 0.05).max() < 0.3
    elsewhere = np.roll(np.array([speed, -force, hiss]), 300, axis=1)
    assert driving.speedlike(np.array([speed, -force, hiss]), 0.05, elsewhere)[0] < 0.9
    assert driving.speedlike(np.zeros((2, 100)), 0.05).tolist() == [0.0, 0.0]


def test_a_tenth_of_the_usual_force_holds_the_speed() -> None:
    """One unit of speed a second up to 40, then steady: 0.1 at full speed, 1 + 0.05 at half."""
    at = np.arange(0.0, 80.0, 0.1)
    made = driving.templates(np.clip(at - 10.0, 0.0, 40.0), 0.1)
    assert made["torque"][[50, 300, 700]] == pytest.approx([0.0, 1.05, 0.1], abs=0.002)
    assert made["battery_current"][[50, 300, 700]] == pytest.approx([0.0, 0.525, 0.1], abs=0.002)
    still = driving.templates(np.zeros(100), 0.1)
    assert all(not np.any(each) for each in still.values())


@pytest.mark.parametrize(("step_s", "over_s", "points"), [(0.1, 10.0, 100), (0.1, 2.0, 20), (5.0, 10.0, 3)])
def test_what_is_slower_than_the_window_is_taken_away(step_s: float, over_s: float, points: int) -> None:
    row = np.zeros(600)
    row[300] = 1.0
    found = driving.detrended(row, step_s, over_s)
    assert found[300] == pytest.approx(1 - 1 / points)
    assert np.count_nonzero(np.abs(found) > 1e-9) == points


AT = np.arange(0.0, 30.0, 0.01)


def risen(at: np.ndarray, tau_s: float, poles: int, begin_s: float = 5.0) -> np.ndarray:
    """A step of 400 counts over 20, through one or two equal low passes."""
    u = np.maximum(at - begin_s, 0.0) / tau_s
    return 20.0 + 400.0 * (1 - np.exp(-u) * (1 if poles == 1 else 1 + u))


@pytest.mark.parametrize(("tau_s", "poles", "u95"), [(0.2, 1, 2.996), (0.05, 1, 2.996), (0.1, 2, 4.744)])
def test_a_rise_has_the_constants_it_was_made_of(tau_s: float, poles: int, u95: float) -> None:
    """95 % after 3.0 time constants of one low pass, and after 4.74 of two: 1 − (1 + u)·e^−u = 0.95."""
    found = link.precharge_of(AT, risen(AT, tau_s, poles))
    assert found is not None
    assert found.tau_s == pytest.approx(tau_s, rel=0.02)
    assert 4.99 < found.start_s < 5.0 + (0.011 if poles == 1 else 0.036)  # at the latest, where 5 % are reached
    assert found.end_s == pytest.approx(5.0 + u95 * tau_s, abs=0.021)
    assert found.end_s == AT[np.argmax(risen(AT, tau_s, poles) >= 20.0 + 0.95 * 400.0) + 1]  # its second reading there
    assert (found.low, found.high) == pytest.approx((20.0, 420.0), abs=0.5)
    assert found.misfit < 0.005
    assert found.score > 0.97


def made(before: float = 0.0, after: float = 0.0, later: float = 0.0) -> np.ndarray:
    """The rise with every third sample off by a share of the step before or after it, or a hole after 10 s."""
    raw = risen(AT, 0.2, 1)
    third = np.arange(AT.size) % 3 == 0
    raw[third & (AT < 5.0)] += 400 * before
    raw[third & (AT > 5.8)] += 400 * after
    raw[(AT >= 10.0) & (AT < 20.0)] -= 400 * later
    return raw


def rippled(share: float, rows: int) -> np.ndarray:
    """The rise with a ripple of a share of its step, so many samples up and as many down."""
    up = np.where(np.arange(AT.size) // rows % 2 == 0, share, -share)
    return risen(AT, 0.2, 1) + 400 * up * ((AT > 5.0) & (AT < 5.7))


@pytest.mark.parametrize(
    ("raw", "score"),
    [
        # from 1.6 time constants on it falls by 2 % at each second of its 69 samples; 1 / (1 + 0.3²) for the misfit
        (rippled(0.015, 1), 0.73 * 0.917 * 0.98),
        (rippled(0.0095, 1), 0.965 * 0.98),  # by 1.9 % at the most
        (rippled(0.02, 10), 0.862 * 0.97 * 0.98),  # 1 / (1 + 0.4²), and falls thrice
        (made(before=-0.06), 0.5),  # as restless as halves the likeness
        (made(after=0.06), 0.5),
        (made(after=0.12), 0.2),
        (made(later=0.24), 1.0),  # a sag within a quarter of the step
        (made(later=0.26), 0.6),  # 10 of 24.4 s away, and back
        (np.where(AT < 20.0, made(), 20.0), 1.0),  # away for good is no fault
    ],
)
def test_each_thing_that_a_link_does_not_do_costs_likeness(raw: np.ndarray, score: float) -> None:
    found = link.precharge_of(AT, raw)
    assert found is not None
    assert found.score == pytest.approx(score, rel=0.05)


@pytest.mark.parametrize(("tau_s", "score"), [(0.07, 2 / 3), (0.1, 1.0)])
def test_two_points_on_the_curve_are_two_thirds_of_a_rise(tau_s: float, score: float) -> None:
    """At 0.1 s: 76 and 94 %, the next 98.6 %; with the longer constant 63, 86, 95.0 %."""
    at = np.arange(0.0, 30.0, 0.1)
    found = link.precharge_of(at, risen(at, tau_s, 1, begin_s=at[50]))
    assert found is not None
    assert found.score == pytest.approx(score, rel=0.03)


@pytest.mark.parametrize(
    ("raw", "seen"),
    [
        (np.r_[np.zeros(100), 20.01 * (1 - np.exp(-np.arange(400) / 10))], True),
        (np.r_[np.zeros(100), 19.9 * (1 - np.exp(-np.arange(400) / 10))], False),  # coarser than 20 counts
        (np.r_[np.zeros(100), 400.0 * np.exp(-np.arange(400) / 10)], False),  # falls
    ],
)
def test_what_is_a_rise_at_all(raw: np.ndarray, seen: bool) -> None:
    assert (link.precharge_of(0.01 * np.arange(raw.size), raw) is not None) is seen


@pytest.mark.parametrize(("step_s", "seen"), [(0.002, False), (0.003, True)])
def test_a_rise_of_less_than_ten_milliseconds_is_a_step(step_s: float, seen: bool) -> None:
    """Four samples from the start to the level, at 8 and at 12 ms."""
    at = step_s * np.arange(3000)
    found = link.precharge_of(at, risen(at, step_s / 2, 1, begin_s=at[1000]))
    assert (found is not None) is seen


@pytest.mark.parametrize(("near_s", "begin_s"), [(None, 15.0), (15.0, 15.0), (13.1, 15.0), (10.9, None), (5.5, 5.0)])
def test_the_rise_is_sought_within_two_seconds_of_a_moment(near_s: float | None, begin_s: float | None) -> None:
    raw = risen(AT, 0.2, 1) * (AT < 12.0) + 20.0 * (AT >= 12.0) + np.where(AT >= 15.0, risen(AT, 0.2, 1, 15.0) - 20, 0)
    raw[AT >= 15.0] -= 40.0 * (1 - np.exp(-(AT[AT >= 15.0] - 15.0) / 0.2))  # a tenth lower
    found = link.precharge_of(AT, raw, near_s)
    assert (None if found is None else round(found.start_s, 1)) == begin_s


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (np.r_[np.zeros(10), np.full(90, 100.0)], 1.0),
        (np.r_[np.zeros(10), np.full(45, 100.0), np.full(45, 74.0)], 1.0),  # away for good: no matter
        (np.r_[np.zeros(10), np.full(40, 100.0), np.full(20, 74.0), np.full(30, 100.0)], 7 / 9),
        (np.r_[np.zeros(10), np.full(40, 100.0), np.full(20, 76.0), np.full(30, 100.0)], 1.0),
        (np.r_[np.zeros(10), np.full(40, 100.0), np.full(20, 126.0), np.full(30, 100.0)], 7 / 9),
        (np.zeros(100), 0.0),
    ],
)
def test_a_link_stays_up_within_a_quarter_of_its_step_until_it_falls_for_good(raw: np.ndarray, expected: float) -> None:
    assert link._while_up(0.1 * np.arange(100), raw, 1.0, 0.0, 100.0) == pytest.approx(expected)


def test_a_gain_is_how_much_higher_the_value_is_so_much_later() -> None:
    at, raw = np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 5.0, 7.0, 20.0])
    assert link._gains(at, raw, 1.0).tolist() == [5.0, 2.0, 13.0, 0.0]
    assert link._gains(at, raw, 1.5).tolist() == [7.0, 15.0, 13.0, 0.0]


@pytest.mark.parametrize(("poles", "tau_s"), [(1, 0.2), (2, 0.1), (1, 0.05)])
def test_a_curve_is_fitted_with_the_better_of_one_and_two_low_passes(poles: int, tau_s: float) -> None:
    at = np.arange(0.0, 5 * tau_s, tau_s / 20)
    u = np.maximum(at - 0.3 * tau_s, 0.0) / tau_s
    share = 1 - np.exp(-u) * (1 if poles == 1 else 1 + u)
    tau, begin, misfit = link._fitted(at, share)
    assert (tau, begin) == (pytest.approx(tau_s, rel=0.03), pytest.approx(0.3 * tau_s, abs=0.05 * tau_s))
    assert misfit < 0.01
    off = share + 0.05 * (-1.0) ** np.arange(at.size)
    assert link._fitted(at, np.where(share > 0, off, 0.0))[2] == pytest.approx(0.05, rel=0.2)
    assert link._fitted(at[:1], share[:1]) == (None, 0.0, 1.0)
    assert link._fitted(at, share[::-1])[0] is None  # it falls


def test_changes_in_another_order_are_a_worse_rise() -> None:
    raw = np.round(risen(AT, 0.2, 1))
    rise = link.precharge_of(AT, raw)
    assert rise is not None
    rng = np.random.default_rng(0)
    scores = [link.shuffled(AT, raw, rise, rng) for _ in range(20)]
    assert max(scores) < 0.8 * rise.score
    assert max(scores) > 0.0
    assert raw[-1] == pytest.approx(420.0)  # left as it was


def test_each_cycle_of_a_link_is_from_its_rise_to_its_fall() -> None:
    at = np.arange(0.0, 130.0, 0.01)
    first = risen(at, 0.2, 1)
    volts = np.where(at > 40.0, 420.0 * np.exp(-(at - 40.0) / 15.0), first)
    volts = np.where(at >= 100.0, np.maximum(volts, risen(at, 0.1, 1, 100.0)), volts)
    one, two = link_cycles.link_cycles(at, volts)
    assert (one.rises_s, one.falls_s) == pytest.approx((5.0, 40.0), abs=0.1)
    assert one.nearly_up_s == pytest.approx(5.0 + 0.2 * math.log(10), abs=0.015)
    assert one.up_s == pytest.approx(5.0 + 0.2 * math.log(20), abs=0.025)
    assert two.rises_s == pytest.approx(100.0, abs=0.05)
    assert two.falls_s == pytest.approx(at[-1])
    assert link_cycles.link_cycles(at, np.full(at.size, 400.0)) == []


@pytest.mark.parametrize(("sag", "cycles_s"), [(0.25, 40.0), (0.35, 20.0)])
def test_a_link_that_keeps_seven_tenths_of_its_step_is_still_up(sag: float, cycles_s: float) -> None:
    raw = risen(AT, 0.2, 1)
    raw[(AT >= 20.0) & (AT < 25.0)] -= 400 * sag
    first = link_cycles.link_cycles(AT, raw)[0]
    assert first.falls_s == pytest.approx(min(cycles_s, AT[-1]), abs=0.05)


def test_a_link_that_sags_under_load_and_rests_is_left_where_it_falls() -> None:
    """Thirty volts lower while it drives, then at rest a little below the level before, as a pack is."""
    raw = risen(AT, 0.2, 1) - 30.0 * ((AT > 11.0) & (AT < 18.0)) - 4.0 * (AT >= 18.0)
    (only,) = link_cycles.link_cycles(AT, raw - 30.0 * np.maximum(AT - 25.0, 0.0))
    assert only.falls_s == pytest.approx(25.0, abs=0.05)


@pytest.mark.parametrize("count", [1.0, 8.0])
def test_a_coarse_link_is_left_where_it_falls(count: float) -> None:
    """Readings that change by one count to either side are still at the level."""
    rng = np.random.default_rng(4)
    raw = np.where(AT > 20.0, 420.0 * np.exp(-np.maximum(AT - 20.0, 0.0) / 5.0), risen(AT, 0.2, 1))
    coarse = count * np.round(raw / count + np.where((AT > 7.0) & (AT < 20.0), rng.integers(-1, 2, AT.size), 0))
    (only,) = link_cycles.link_cycles(AT, coarse)
    assert only.falls_s == pytest.approx(20.0, abs=0.15)


@pytest.mark.parametrize(("after_s", "cycles"), [(0.0, 1), (20.0, 2)])
def test_a_cycle_ends_where_the_link_is_gone_and_the_next_is_sought_after_it(after_s: float, cycles: int) -> None:
    rise = link.precharge_of(AT, risen(AT, 0.2, 1))
    assert rise is not None
    volts = np.where(AT >= 15.0, 20.0, risen(AT, 0.2, 1))
    if after_s:
        volts = np.where(after_s <= AT, risen(AT, 0.2, 1, after_s), volts)
    cycle, begin, end = link_cycles._cycle(AT, volts, rise)
    assert (begin in (500, 501), end) == (True, 1500)  # from the row of its begin to the first that is gone
    assert (cycle.rises_s, cycle.up_s) == (rise.start_s, rise.end_s)
    assert cycle.falls_s == pytest.approx(15.0, abs=0.02)
    assert len(link_cycles.link_cycles(AT, volts)) == cycles


@pytest.mark.parametrize(
    ("tau_s", "base"), [(0.001, 0.0), (0.1, 0.0), (0.5, 0.0), (2.0, 0.0), (20.0, 0.0), (0.5, 900.0)]
)
def test_a_link_is_left_when_it_begins_to_fall_however_fast_it_falls(tau_s: float, base: float) -> None:
    """An active discharge takes a second, a resistor alone minutes; raw values may begin anywhere."""
    volts = np.where(AT > 20.0, 420.0 * np.exp(-np.maximum(AT - 20.0, 0.0) / tau_s), risen(AT, 0.2, 1))
    (only,) = link_cycles.link_cycles(AT, volts + base)
    assert only.falls_s == pytest.approx(20.0, abs=0.1)


@pytest.mark.parametrize(
    ("slope", "seen", "expected"),
    [
        (-5.0, 10.5, 10.0),  # the line of the fall meets the level where it began
        (-5.0, 12.5, 10.5),  # sought for two seconds at most
        (0.0, 10.5, 10.5), (5.0, 10.5, 10.5),  # rises: no fall
        (-5.0, 19.97, 19.97),  # three samples are no line
    ],
)  # fmt: skip
def test_a_fall_began_where_its_first_seconds_meet_the_level(slope: float, seen: float, expected: float) -> None:
    at = np.arange(0.0, 20.0, 0.01)
    volts = 400.0 + slope * np.maximum(at - 10.0, 0.0)
    assert link_cycles._leaves(at, volts, round(seen * 100), 400.0, 400.0) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("values", "count"), [([0.0, 2.0, 5.0, 5.5, 2.0], 0.5), ([3.0, 3.0], 0.0)])
def test_a_count_is_the_smallest_difference(values: list[float], count: float) -> None:
    assert link_cycles._count(np.array(values)) == count


@pytest.mark.parametrize(
    ("row", "slow"),
    [
        (np.linspace(0, 2.0, 1000), True),
        (np.linspace(0, 1.9, 1000), False),  # two counts at least
        (np.repeat(np.arange(0.0, 100.0), 2), True),  # 5 counts a second of 99
        (np.r_[np.zeros(50), np.linspace(0, 100, 106), np.full(50, 100.0)], True),  # 9.5 % of its span a second
        (np.r_[np.zeros(50), np.linspace(0, 100, 94), np.full(50, 100.0)], False),  # 10.8 %
        (np.r_[np.zeros(50), 0, 2.0, np.full(50, 2.0)], True),  # a fast step of two counts
        (np.r_[np.zeros(50), 0, 2.4, np.full(50, 2.4)], False),
        (np.arange(300) % 2 * np.r_[np.full(12, 2.0), np.zeros(288)] + 0.0, True),  # back and forth twelve times
        (np.arange(300) % 2 * np.r_[np.full(14, 2.0), np.zeros(286)] + 0.0, False),
    ],
)
def test_a_temperature_changes_slowly_and_hardly_back_and_forth(row: np.ndarray, slow: bool) -> None:
    assert thermal.slow(row, 0.1) is slow


def test_each_body_has_risen_by_63_percent_after_its_time_constant() -> None:
    found = thermal.heated(np.ones(7000), 0.1)
    assert [each[round(tau / 0.1) - 1] for each, tau in zip(found, (20, 60, 180, 600), strict=True)] == pytest.approx(
        [1 - math.exp(-1)] * 4
    )
