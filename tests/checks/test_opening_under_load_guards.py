"""When an opening counts as one under load: each guard by made readings on each side of its edge.

Expected by hand: 5 A are the least load; 5 % are what the sensors of pack and link differ by; 60 V are the safe voltage
of ECE R100 (common practice otherwise, no published source).
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from contactor_pieces import history, link_of, opening, part

from logscope.checks.contactors import load
from logscope.checks.contactors.drop import current_before, is_load, load_part, measured_current
from logscope.checks.contactors.load import _drained, _jump, _loaded, _same, _since_joined, opened_under_load
from logscope.checks.contactors.switching_history import current_between, load_level
from logscope.findings import Event, Measured

T = np.arange(0.0, 6.0, 0.01)


@pytest.mark.parametrize(
    ("amps", "step", "least_a"),
    [
        (np.zeros(40), None, 5.0),
        (np.zeros(40), 2.0, 5.0),
        (np.zeros(40), 3.0, 6.0),  # two steps of its reading are no load yet
        (np.arange(40.0) * 4.0, None, 8.0),  # which its readings show as well
        (np.tile([0.0, 6.0], 20), None, 5 * 1.4826 * 12.0 / 6**0.5),  # MAD of second differences of ±12 A, over √6
        ([90.0, -90.0], None, 5.0),  # two samples show no noise
    ],
)
def test_a_load_is_a_current_beyond_auxiliaries_noise_and_rounding(amps, step, least_a):
    assert load_level(part("battery_current", np.arange(len(amps)) * 0.01, amps, step)) == pytest.approx(
        least_a, rel=1e-4
    )


@pytest.mark.parametrize(
    ("start_s", "end_s", "value_a", "low_a", "high_a"),
    [
        (3.0, 3.0, 30.0, 30.0 - 14.0, 30.0 + 14.0),  # of |20|, |16|, |30|: it moved by 14 A at the most
        (3.5, 3.5, 30.0, 7.0 - 14.0, 30.0 + 14.0),  # up to the next sample, 7 A
        (4.0, 4.5, 7.0, 2.0 - 23.0, 7.0 + 23.0),
        (0.0, 0.5, 10.0, 10.0, 20.0),  # nothing before: how it moved is not known
        (5.0, 9.0, 2.0, 2.0 - 23.0, 2.0 + 23.0),
    ],
)
def test_a_current_about_an_opening_is_as_unsure_as_it_moved(start_s, end_s, value_a, low_a, high_a):
    current = part("battery_current", np.arange(6.0), [10.0, -20.0, 16.0, -30.0, 7.0, 2.0])
    found = current_between(current, start_s, end_s)
    assert found is not None
    assert (found.value, found.low, found.high, found.unit) == (value_a, max(low_a, 0.0), high_a, "A")


def test_before_its_first_sample_no_current_is_known():
    current = part("battery_current", [1.0, 2.0], [10.0, 20.0])
    assert current_between(current, 0.99, 3.0) is None
    assert current_between(current, 1.0, 1.0) is not None


def test_a_current_before_a_dropout_ranges_over_the_half_second_before_it():
    """Samples every 0.1 s, read from 0.6 s before; the largest one is the value, an earlier larger one is not."""
    amps = np.array([99.0, -99.0, 99.0, 99.0, 40.0, -70.0, 30.0, 20.0, 60.0, 10.0, 5.0, 80.0])
    made = history([part("battery_current", 0.1 * np.arange(12), amps)])
    found = current_before(made, 1.005)
    assert found is not None
    assert (found.value, found.low) == (70.0, 5.0)
    assert found.high == pytest.approx(80.0 + 59.0)  # the next sample, and the largest move before: 99 to 40 A
    assert current_before(made, -0.01) is None
    assert current_before(made, 0.35) is None  # what flowed half a second before is not logged
    assert current_before(history(), 1.0) is None


def test_the_packs_current_goes_before_the_motors_and_only_it_flows_through_the_contactor():
    pack, motor = part("battery_current", T, 0 * T), part("motor_current", T, 0 * T)
    assert load_part(history([motor, pack])) is pack
    assert load_part(history([motor])) is motor
    assert load_part(history()) is None
    amps = Measured(40.0, "A", 30.0, 50.0)
    assert measured_current("battery_current", amps) == {"current_A": amps}
    assert measured_current("motor_current", amps) == {"current_A": Measured(None, "A"), "motor_current_A": amps}


@pytest.mark.parametrize(("high_a", "load"), [(None, False), (5.0, False), (5.1, True)])
def test_a_load_is_one_by_the_upper_end_of_its_current(high_a, load):
    assert is_load(history([part("battery_current", T, 0 * T)]), Measured(9.0, "A", None, high_a)) is load
    assert not is_load(history(), Measured(99.0, "A", 99.0, 99.0))


@pytest.mark.parametrize(
    ("start_s", "end_s", "same"),
    [(0.0, 0.9, False), (0.0, 1.0, True), (1.5, 1.6, True), (2.0, 3.0, True), (2.1, 3.0, False)],
)
def test_an_opening_is_that_of_a_dropout_about_the_same_time(start_s, end_s, same):
    assert _same(opening(1.0, 1.2, 9.0, start_s=2.0), Event(start_s, end_s)) is same
    assert _same(opening(1.0, 2.0, 9.0, start_s=1.2), Event(start_s, end_s)) is same


@pytest.mark.parametrize(
    ("after_v", "end_v", "fell_v"),
    [
        (300.0, 300.0, -50.0),
        (333.0, 333.0, 0.0),  # 17.5 V are what sensors differ by
        (332.0, 332.0, -18.0),
        (300.0, 291.0, -50.0),  # a fifth of the fall, 10 V, may follow
        (300.0, 289.0, 0.0),  # it goes on: a discharge
        (60.0, 60.0, 0.0),  # it went down to a safe voltage
        (61.0, 61.0, -289.0),
    ],
)
def test_what_a_load_drained_stops_where_the_load_stops(after_v, end_v, fell_v):
    """Opened at 1.0 s; the link is read from 1.32 s on (0.3 s and two periods), for as long as that is from 1.0 s."""
    volts = np.where(T < 1.005, 350.0, np.where(T < 1.5, after_v, end_v))
    assert _drained(link_of(part("dc_link_voltage", T, volts)), opening(1.0, 1.0, 5.0)) == pytest.approx(fell_v)


def test_too_few_readings_or_no_level_before_show_no_drain():
    link = link_of(part("dc_link_voltage", T, np.where(T < 1.005, 350.0, 300.0)))
    assert _drained(link, opening(1.0, 1.0, 5.0, level_v=None)) == 0.0
    assert _drained(link, opening(1.0, 1.0, 1.365)) == 0.0  # five samples
    assert _drained(link, opening(1.0, 1.0, 1.375)) == -50.0  # six


def test_a_slow_link_is_watched_for_six_readings():
    """Read every 0.2 s, from 1.7 s on: six of them take until 2.7 s, where it has not been open for as long before."""
    at = np.arange(0.0, 6.0, 0.2)
    for falls_s, fell_v in ((2.5, 0.0), (3.1, -50.0)):
        volts = np.where(at < 1.1, 350.0, np.where(at < falls_s, 300.0, 280.0))
        assert _drained(link_of(part("dc_link_voltage", at, volts)), opening(1.1, 1.1, 5.0)) == fell_v


def test_noise_widens_what_counts_as_a_drain():
    volts = part("dc_link_voltage", T, np.where(T < 1.005, 350.0, 330.0))
    assert _drained(link_of(volts, noise_v=0.8), opening(1.0, 1.0, 5.0)) == -20.0  # 17.5 and 2.4 V
    assert _drained(link_of(volts, noise_v=0.9), opening(1.0, 1.0, 5.0)) == 0.0  # 17.5 and 2.7 V


@pytest.fixture
def plain_fits(monkeypatch):
    """Falls without noise, fitted by numpy's line through their logarithms: what the limits are is not asked here."""

    def fit(time_s, volts, _):
        line = np.polyfit(time_s, np.log(volts), 1)
        return SimpleNamespace(misfit=False, voltage=lambda at_s: np.exp(np.polyval(line, at_s)))

    monkeypatch.setattr(load, "fit_discharge", fit)


@pytest.mark.usefixtures("plain_fits")
@pytest.mark.parametrize(
    ("peak_v", "pack_v", "jump_v"),
    [
        (384.0, None, 0.0),  # 350 V and twice 17.5 V
        (386.0, None, 36.0),
        (386.0, 370.0, 0.0),  # the pack stands higher: 388.5 V with its 5 %
        (389.0, 370.0, 39.0),
        (389.0, 340.0, 39.0),
    ],
)
def test_a_link_is_thrown_up_where_it_reads_above_all_that_its_pack_may_be(peak_v, pack_v, jump_v):
    """Once, right at the opening, and falls by a bleeder of 50 s otherwise."""
    volts = 350.0 * np.exp(-np.maximum(T - 1.0, 0.0) / 50.0)
    volts[T.searchsorted(0.995)] = peak_v
    link = link_of(part("dc_link_voltage", T, volts))
    parts = [] if pack_v is None else [part("battery_voltage", T, np.full(T.size, pack_v))]
    assert _jump(history(parts), link, opening(0.995, 1.05, 5.0)) == pytest.approx(jump_v, abs=1e-9)


@pytest.mark.usefixtures("plain_fits")
@pytest.mark.parametrize(("after_v", "jump_v"), [(333.5, 0.0), (331.5, -18.5), (200.0, -150.0), (348.0, 0.0)])
def test_a_link_is_thrown_down_where_its_fall_carried_back_begins_below_its_level(after_v, jump_v):
    """It falls as exp(−t/30 s) from there on: known at the opening itself."""
    volts = np.where(T < 1.0 - 1e-9, 350.0, after_v * np.exp(-np.maximum(T - 1.0, 0.0) / 30.0))
    link = link_of(part("dc_link_voltage", T, volts))
    assert _jump(history(), link, opening(1.0, 1.0, 5.0)) == pytest.approx(jump_v, abs=0.01)


def test_a_fast_discharge_carried_back_begins_at_the_level_before():
    """τ = 0.5 s, first read 0.1 s after the opening: at 287 V, and yet nothing was thrown off."""
    noise = np.random.default_rng(3).normal(0.0, 0.2, T.size)
    volts = 350.0 * np.exp(-np.maximum(T - 1.0, 0.0) / 0.5) + noise
    link = link_of(part("dc_link_voltage", T, volts), noise_v=0.2)
    assert _jump(history(), link, opening(1.0, 1.1, 5.0)) == 0.0
    assert _jump(history(), link, opening(1.0, 1.1, 5.0, level_v=None)) is None
    assert _jump(history(), link, opening(1.0, 8.0, 9.0)) is None  # no reading after it


def test_an_opening_by_voltage_begins_at_the_last_reading_at_the_links_level():
    volts = np.where(T < 2.905, 350.0, np.where(T < 2.945, 333.0, 320.0))
    link = link_of(part("dc_link_voltage", T, volts))
    found = _since_joined(history(), link, opening(2.0, 3.0, 5.0, "dc_link_voltage", level_v=340.0))
    assert (found.low_s, found.level_v, found.high_s) == (pytest.approx(2.94), 350.0, 3.0)
    sagged = link_of(part("dc_link_voltage", T, np.where(T < 1.9, 300.0, volts)))  # for most of the last three seconds
    found = _since_joined(history(), sagged, opening(2.0, 3.0, 5.0, "dc_link_voltage", level_v=340.0))
    assert found.level_v == 350.0
    alone = opening(2.0, -1.0, 5.0, "dc_link_voltage")
    assert _since_joined(history(), link, alone) is alone


@pytest.mark.usefixtures("plain_fits")
def test_an_opening_under_load_needs_a_current_and_a_link_that_shows_it():
    volts = part("dc_link_voltage", T, np.where(T < 1.005, 350.0, 250.0))
    still = link_of(part("dc_link_voltage", T, np.full(T.size, 350.0)))
    link, at = link_of(volts), opening(1.0, 1.05, 5.0)
    pack, motor = (part(name, T, np.full(T.size, -40.0)) for name in ("battery_current", "motor_current"))
    small = part("battery_current", T, np.full(T.size, 5.0))
    found = _loaded(history(link=link), at, pack)
    assert found is not None
    assert (found.source, found.current.value, found.jump_v) == ("battery_current", 40.0, pytest.approx(-100.0))
    assert _loaded(history(link=link), at, small) is None
    assert _loaded(history(), at, motor) is None  # with no link it may feed its windings alone
    unknown = _loaded(history(), at, pack)
    assert unknown is not None
    assert unknown.jump_v is None
    assert _loaded(history(link=link), replace(at, shown_by=""), pack) is None
    assert _loaded(history(), replace(at, shown_by="dc_link_voltage"), pack) is None
    flat = _loaded(history(link=still), at, pack)
    assert flat is not None
    assert flat.jump_v == 0.0
    by_motor = _loaded(history(link=link), at, motor)  # drained, and stopped: the motor did take from the capacitor
    assert by_motor is not None
    assert by_motor.jump_v == pytest.approx(-100.0)


@pytest.mark.usefixtures("plain_fits")
def test_what_is_proven_is_a_warning_and_what_stays_open_gives_the_worst():
    link = link_of(part("dc_link_voltage", T, np.where(T < 1.005, 350.0, 250.0)))
    pack = part("battery_current", T, np.where(T < 3.0, 40.0, 60.0))
    openings = [opening(1.0, 1.05, 2.0), opening(4.0, 4.05, 5.0)]
    (found,) = opened_under_load(history([pack], link=link, openings=openings[:1]), [])
    assert (found.kind, found.severity.name) == ("contactor.opened_under_load", "WARNING")
    assert (found.start_s, found.end_s) == (1.0, 1.05)
    assert found.measured["link_jump_V"].value == pytest.approx(-100.0)
    assert found.measured["current_A"].value == 40.0
    assert opened_under_load(history([pack], link=link, openings=openings[:1]), [Event(0.9, 1.0)]) == []
    (unclear,) = opened_under_load(history([pack], openings=openings), [])
    amps = unclear.measured["current_A"]
    assert (unclear.kind, amps.value, amps.low, amps.high) == ("contactor.undetermined", None, 40.0, 60.0)
    assert opened_under_load(history(openings=openings), []) == []
    ends = part("battery_current", T, np.where(T < 1.02, 40.0, 0.0))  # it may have been none at the opening
    (unclear,) = opened_under_load(history([ends], openings=openings[:1]), [])
    assert unclear.measured["current_A"].low == 0.0
