"""How a precharge's readings are cut out, counted and levelled, each number by hand; what is beside them is not asked.

v(t) = V − (V − V0)·exp(−t/RC) (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from dataclasses import replace
from math import inf
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from contactor_pieces import link_of, part
from precharge_pieces import ATTEMPT, about, closed, fitted, measured

from logscope.checks.precharge import measure
from logscope.checks.precharge.breakpoint import Break
from logscope.checks.precharge.lagged_closing import Settling, Start
from logscope.curves.timestamps import Known
from logscope.observations.dc_link.link import PackLevel
from logscope.signals import Signals

AT = 0.01 * np.arange(100)
NO_MATTER: Any = None


def link(volts: Any, *, noise_v: float = 1.0, step_v: float = 0.0, period_s: float = 0.01) -> Any:
    values = np.asarray(volts, dtype=float)
    made = link_of(part("dc_link_voltage", period_s * np.arange(values.size), values), noise_v=noise_v)
    return replace(made, step_v=step_v)


def signals(pack_v: Any = None, at: Any = None) -> Signals:
    times = AT if at is None else np.asarray(at, dtype=float)
    parts = {} if pack_v is None else {"battery_voltage": part("battery_voltage", times, np.full(times.size, pack_v))}
    return Signals(parts, 0.0, 20.0)


@pytest.mark.parametrize(
    ("highest_v", "onset_s", "leads_beyond"),
    [(346.0, 1.0, True), (347.0, 1.0, False), (inf, 1.0, False)],
)
def test_a_curve_leads_beyond_its_pack_where_even_its_lower_limit_does(
    highest_v: float, onset_s: float, leads_beyond: bool
) -> None:
    """350 V, and 346.5 V at least."""
    m = measured(highest_v=highest_v)
    assert m.leads_beyond_pack is leads_beyond
    assert m.onset_s == onset_s
    assert replace(m, fit=fitted(onset=None), start_s=0.9).onset_s == 0.9
    assert replace(m, fit=None, start_s=0.9).onset_s == 0.9
    assert (m.fraction(175.0), replace(m, pack=None).fraction(175.0)) == (0.5, None)


@pytest.mark.parametrize(
    ("reached_v", "noise_v", "settled"),
    [(333.4, 1.0, True), (333.2, 1.0, False), (330.1, 10.0, True), (329.9, 10.0, False)],
)
def test_a_curve_has_settled_within_a_twentieth_of_its_rise_or_two_noises(
    reached_v: float, noise_v: float, settled: bool
) -> None:
    """From 16 V on, 350 V less 5 % of 334 V are 333.3 V."""
    assert measure._has_settled(fitted(), 16.0, reached_v, noise_v) is settled
    assert not measure._has_settled(None, 16.0, reached_v, noise_v)


@pytest.mark.parametrize(
    ("volts", "noise_v", "pack_v", "count"),
    [
        ([0, 4, 5, 6, 50, 94, 95, 96, 100], 1.0, None, 3),  # between 5 and 95 V
        ([0, 4, 6, 50, 94, 96, 100], 1.9, None, 3),  # three noises: 5.7 V
        ([0, 4, 6, 50, 94, 96, 100], 2.1, None, 1),
        ([100, 104, 106, 194, 196, 200], 1.0, None, 2),  # of a rise from 100 V
        ([0, 4, 6, 50, 94, 96, 100], 1.0, 110.0, 5),  # near its pack: up to 104.5 V, from 5.5 V on
        ([0, 4, 6, 50, 94, 96, 100], 1.0, 112.0, 3),  # below nine tenths of it: it was held there
        ([0, 4, 6, 50, 94, 96, 100], 1.0, 90.0, 3),
    ],
)
def test_samples_on_the_steep_part_lie_off_both_ends(volts: Any, noise_v: float, pack_v: Any, count: int) -> None:
    pack = None if pack_v is None else PackLevel(pack_v, 0.0)
    assert measure._steep_samples(np.array(volts, dtype=float), pack, noise_v) == count


ALONE = [0.0, 9.0, 50.0, 80.0, 116.0, 150.0, 195.9]
NEAR = [0.0, 9.0, 50.0, 80.0, 100.0, 112.0, 116.0, 120.0]


@pytest.mark.parametrize(
    ("volts", "own_v", "pack_v", "noise_v", "step_v", "count"),
    [
        (ALONE, 200.0, None, 1.0, 0.0, 5),  # from 10 to 196 V, where the link stands at 200 V behind the curve
        (ALONE, 200.0, None, 1.4, 0.0, 4),  # three noises are more than 2 %: up to 195.8 V
        (ALONE, 200.0, None, 1.0, 1.5, 4),  # so are the step and they: 195.5 V
        (NEAR, 200.0, None, 1.0, 0.0, 6),
        (NEAR, 200.0, 112.0, 1.0, 0.0, 5),  # no more than 5 % above the pack: 117.6 V, up to 114.6 V
        (NEAR, 120.0, None, 1.0, 0.0, 6),  # from 6 to 117 V
        (NEAR, 100.0, None, 1.0, 0.0, 5),  # the steep ones of its own rise, from 6 to 114 V, are more
    ],
)
def test_samples_on_the_way_lead_to_where_the_link_stands_behind_the_curve(
    volts: Any, own_v: float, pack_v: Any, noise_v: float, step_v: float, count: int
) -> None:
    pack = None if pack_v is None else PackLevel(pack_v, 0.0)
    found = measure._samples_on_way(np.array(volts), own_v, pack, link(volts, noise_v=noise_v, step_v=step_v))
    assert found == count


def test_a_rise_lasts_up_to_its_95_per_cent() -> None:
    """From 100 to 200 V, 195 V at the fifth sample after the onset."""
    volts = [100.0] * 11 + [150.0, 180.0, 190.0, 194.9, 195.1, 199.0, 200.0] + [200.0] * 20
    found = measure._rise_s(link(volts), replace(ATTEMPT, onset=10, top=17))
    assert found == pytest.approx(0.05)


def test_only_what_is_longer_than_a_gap_is_missing() -> None:
    at = np.array([0.0, 0.1, 0.3, 0.6, 1.0])
    assert measure._missing(at, 0.25) == pytest.approx(0.7)
    assert measure._missing(at, 0.45) == 0.0


@pytest.mark.parametrize(
    ("level_v", "pack", "below"),
    [(322.9, PackLevel(350.0, 10.0), True), (323.1, PackLevel(350.0, 10.0), False), (100.0, None, False)],
)
def test_a_closing_that_leads_below_its_pack_is_none(level_v: float, pack: Any, below: bool) -> None:
    """5 % below 340 V: 323 V."""
    assert measure._ends_below(replace(closed(1.0, 2.0), level_v=level_v), pack) is below
    assert not measure._ends_below(closed(1.0, 2.0), PackLevel(350.0, 10.0))


@pytest.mark.parametrize(
    ("awake", "known"),
    [
        ((0.0, 1.0), True),
        ((0.4, 0.55), True),  # half a second before the rise at 1 s, and up to the curve's end
        ((3.05, 3.4), True),  # soon behind, up to 2.5 s and half a second more
        ((4.0, 4.4), True),  # it wakes up to two seconds behind
        ((4.55, 9.0), False),
    ],
)
def test_a_packs_voltage_counts_while_the_link_charges_or_soon_behind(awake: Any, known: bool) -> None:
    at = np.arange(awake[0], awake[1], 0.01)
    found = measure._pack_to_reach(signals(350.0, at), 1.0, 1.5, 2.5)
    assert (found is not None) is known


def test_the_pack_while_the_link_charges_goes_before_what_it_reads_later() -> None:
    at = np.arange(0.0, 4.0, 0.01)
    both = Signals({"battery_voltage": part("battery_voltage", at, np.where(at < 1.55, 350.0, 330.0))}, 0.0, 9.0)
    found = measure._pack_to_reach(both, 1.0, 1.5, 2.5)
    assert found is not None
    assert found.volts == pytest.approx(350.0)


def test_the_level_once_closed_is_the_upper_quarter_of_the_next_readings() -> None:
    """0.3 s from 0.2 s on: 300 to 329 V and, at the edge, 330 V; three quarters up are 322.5 V. 1.96 noises."""
    made = link(280.0 + np.arange(100), noise_v=0.5)
    found = measure._level_once_closed(made, 0.2)
    assert found is not None
    assert found.volts == pytest.approx(300 + 0.75 * 29)
    assert found.within_v == pytest.approx(0.98, abs=1e-3)
    seldom = link(280.0 + np.arange(20), period_s=0.2)
    found = measure._level_once_closed(seldom, 0.2)
    assert found is not None
    assert found.volts == pytest.approx(281 + 0.75 * 3)  # four readings, however far apart
    assert measure._level_once_closed(seldom, 3.4) is None  # three are left
    assert measure._level_once_closed(seldom, 3.2) is not None


@pytest.mark.parametrize(
    ("pack_v", "contactor_s", "highest_v"),
    [(350.0, None, 367.5), (None, None, inf), (350.0, 0.3, 342.96), (None, 0.3, 342.96), (300.0, 0.3, 315.0)],
)
def test_a_link_is_charged_to_its_pack_at_most_as_either_shows_it(
    pack_v: float | None, contactor_s: float | None, highest_v: float
) -> None:
    """5 % above the pack's sensor; by its own, 2 % above the 335.3 V it stands at once closed, and 0.98 V."""
    level = 335.2549
    made = link(np.where(AT > 0.25, level, 0.0), noise_v=0.5)
    attempt = replace(ATTEMPT, onset=10, top=30, end=60, contactor_s=contactor_s)
    found = measure._highest_end(signals(pack_v), made, attempt)
    assert found == pytest.approx(highest_v, abs=0.05)


def curve_end(after: Any, *, pack_v: float | None = None, **more: Any) -> int:
    """Up to 200 V in ten samples from the eleventh on, by 98 % after the ninth, then these readings and 200 V."""
    rise = [0, 60, 100, 130, 150, 165, 175, 185, 191, 197, 200]
    volts = np.array([0.0] * 10 + rise + list(after) + [200.0] * 60)
    attempt = replace(ATTEMPT, onset=10, top=20, end=70, **more)
    return measure._curve_end(link(volts, noise_v=0.5, step_v=1.0), attempt, pack_v)


def test_a_curve_ends_a_rise_or_ten_samples_after_it_is_near() -> None:
    """It is within 2 % of 200 V at the sample 19, 90 ms after its onset: 90 ms later is before ten samples more."""
    assert curve_end([]) == 29
    assert curve_end([], pack_v=202.0) == 29
    assert curve_end([], pack_v=223.0) == 46  # held below nine tenths of it: three times 90 ms behind sample 19
    assert curve_end([], pack_v=178.0) == 26  # near 98 % of it, 174.4 V, from sample 16 on, and ten more at the latest


def test_of_a_small_rise_only_its_last_twentieth_is_near() -> None:
    """From 180 to 200 V: near from 199 V on, which are there at the sample 18, and ten more."""
    rise = [180, 186, 190, 193, 195, 196.5, 197.5, 198.5, 199.2, 199.7, 200]
    volts = np.array([180.0] * 10 + rise + [200.0] * 60)
    assert measure._curve_end(link(volts, noise_v=0.5), replace(ATTEMPT, onset=10, top=20, end=70), None) == 28


@pytest.mark.parametrize(
    ("after", "more", "end"),
    [
        ([200.0, 194.5], {}, 29),  # 197 V less four noises and a step: 194 V
        ([200.0, 193.5], {}, 21),  # a load draws it down
        ([200.0, 206.0], {}, 29),
        ([206.5], {"contactor_s": 0.20}, 20),  # by its level at that very reading
        ([200.0, 203.5], {"contactor_s": 0.20}, 21),  # once joined to the pack at 200 V, braking lifts it by 3 V
        ([200.0, 202.5], {"contactor_s": 0.20}, 29),
        ([200.0, 206.0], {"contactor_s": 0.22}, 29),  # joined at 206 V
    ],
)
def test_a_level_ends_where_a_load_draws_it_down_or_braking_lifts_it(after: Any, more: Any, end: int) -> None:
    assert curve_end(after, **more) == end


@pytest.mark.parametrize(
    ("fit", "highest_v", "onset_seen", "start"),
    [
        (None, 350.0, True, None),
        (fitted(), inf, True, None),
        (fitted(lag=about(0.02)), inf, True, Start(1.0, 0.15, 0.02)),
        (fitted(lag=about(0.02), onset=None), inf, True, None),
        (fitted(misfit=True), inf, True, None),
        (fitted(misfit=True), 350.0, False, None),
        # half of its rise, 100 V, is there 20 ms after the onset at 0.1 s
        (fitted(misfit=True), 350.0, True, Start(0.1, 0.02, 0.006)),
        (fitted(), 346.0, True, Start(0.1, 0.02, 0.006)),
        (fitted(), 347.0, True, None),
    ],
)
def test_a_closing_behind_a_lag_is_looked_for_where_a_lag_or_a_bend_shows(
    fit: Any, highest_v: float, onset_seen: bool, start: Any
) -> None:
    volts = np.array([0.0] * 11 + [60.0, 100.0, 130.0, 200.0] + [200.0] * 40)
    attempt = replace(ATTEMPT, onset=10, top=14, onset_seen=onset_seen)
    found = measure._start_of(link(volts), attempt, fit, highest_v)
    assert found == (None if start is None else pytest.approx(start))


# --- how the curve is cut out, with the search and the fit replaced by what they may find


@pytest.fixture
def cut(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A cut with these findings: the windows that were fitted, and the curve."""

    def run(broken: Any = None, start: Any = None, settling: Any = None, fits: Any = (), **attempt: Any) -> Any:
        asked: list[Any] = []
        answers = list(fits)

        def fit(*given: Any, cut_off: bool) -> Any:
            asked.append((given[3].start, given[3].stop, cut_off))
            return answers.pop(0) if answers else fitted()

        handed: dict[str, Any] = {}

        def breaks(time_s: Any, volts: Any, noise_v: float, reported: Any) -> Any:
            handed.update(size=time_s.size, first_s=float(time_s[0]), reported=reported)
            return broken

        monkeypatch.setattr(measure, "_fit", fit)
        monkeypatch.setattr(measure, "find_break", breaks)
        monkeypatch.setattr(measure, "_start_of", lambda *_: start)
        # of the whole window, from the level before the rise to its last sample
        monkeypatch.setattr(measure, "find_settling", lambda time_s, *_: settling if time_s.size == 47 else None)
        volts = np.where(AT < 0.205, 0.0, 300.0)
        found = measure._cut_out(
            link(volts, noise_v=0.5, step_v=0.5), replace(ATTEMPT, onset=20, top=40, **attempt), NO_MATTER, 59, 350.0
        )
        return found, asked, handed

    return run


def test_a_curve_without_a_break_goes_to_its_last_sample(cut: Any) -> None:
    """Eight samples of level before it; a state may lag by 0.15 s."""
    found, asked, handed = cut(contactor_s=0.5, contactor_after_s=0.4)
    assert (found.first, found.end, found.broken, found.settling, found.fit_if_cut) == (13, 59, None, None, None)
    assert asked == [(13, 60, False)]
    assert handed == {"size": 40, "first_s": pytest.approx(0.2), "reported": (pytest.approx(0.25), 0.5)}
    assert cut()[2]["reported"] is None


@pytest.mark.parametrize(("step_v", "ahead"), [(1.95, True), (-1.95, True), (2.05, False)])
def test_a_curve_that_breaks_off_without_a_step_is_fitted_without_its_last_sample_too(
    step_v: float, ahead: bool, cut: Any
) -> None:
    """Three noises of 0.5 V and a step of 0.5 V."""
    found, asked, _ = cut(Break(15, step_v, 300.0, True))
    assert found.end == 35
    assert asked == [(13, 36, True), (13, 35, False)] if ahead else asked == [(13, 36, True)]
    assert (found.fit_if_cut is not None) is ahead
    assert cut(Break(15, step_v, 300.0, True), contactor_s=0.5, contactor_after_s=0.4)[0].fit_if_cut is None


@pytest.mark.parametrize(
    ("whole", "before", "taken"),
    [
        (fitted(lag=about(0.02)), fitted(lag=about(0.02)), True),
        (fitted(lag=about(0.02)), fitted(), False),
        (fitted(), fitted(), True),  # bent by the closing
        (fitted(), fitted(misfit=True), False),
        (None, fitted(), True),
        (fitted(), None, False),
    ],
)
def test_a_settling_ends_the_curve_where_what_comes_before_is_one(
    whole: Any, before: Any, taken: bool, cut: Any
) -> None:
    settled = Settling(0.41, 0.43, 0.405, 350.0, 300.0, 310.0, True, True)
    found, asked, _ = cut(None, Start(0.2, 0.15, 0.02), settled, [whole, before])
    assert asked == [(13, 60, False), (13, 41, True)]
    assert (found.end, found.settling is settled, found.fit is before) == (
        (40, True, True) if taken else (59, False, False)
    )
    assert cut(None, Start(0.2, 0.15, 0.02), None)[0].settling is None


def test_a_level_before_the_rise_is_taken_for_half_a_second_and_eight_samples(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every 0.2 s half a second holds two samples."""
    monkeypatch.setattr(measure, "_fit", lambda *_, cut_off: None)
    monkeypatch.setattr(measure, "find_break", lambda *_: None)
    seldom = link(np.where(np.arange(60) < 21, 0.0, 300.0), period_s=0.2)
    assert measure._cut_out(seldom, replace(ATTEMPT, onset=20, top=40), NO_MATTER, 40, inf).first == 18


def test_a_measurement_states_what_its_pieces_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """A link that steps from 20 V over 100 and 200 to 300 V and stands there; its pack reads 310 V."""
    volts = np.array([20.0] * 11 + [100.0, 200.0, 285.0, 299.0, 300.0] + [300.0] * 84)
    made = link(volts)
    attempt = replace(ATTEMPT, onset=10, top=15, end=60)
    fit = fitted(start=about(20.0), end=about(300.0))
    monkeypatch.setattr(
        measure,
        "_cut_out",
        lambda _, one, __, last, ___: measure._Curve(
            3, last if one.end == 15 else 14, fit, None, None, Settling(0, 0, 0, 0, 0, 0, True, False)
        ),
    )
    monkeypatch.setattr(measure, "closing_of", lambda *_: None)
    stamps: Any = SimpleNamespace(range_s=0.002, known=Known.COUNTED)
    timing: Any = SimpleNamespace(stamps=SimpleNamespace(range_s=0.001, known=Known.COUNTED), scale_error=0.01)
    m = measure.measure(signals(310.0), made, attempt, stamps, timing)
    assert m.window == slice(3, 15)
    assert (m.start_v, m.reached_v, m.top_v) == (20.0, 299.0, 300.0)
    assert (m.start_s, m.end_s) == pytest.approx((0.1, 0.14))
    assert m.pack_v == pytest.approx(310.0)
    assert (m.pack_by_link, m.settled, m.lag_is_faster, m.closing) == (False, True, False, None)
    assert m.highest_v == pytest.approx(325.5)
    assert (m.inside, m.inside_all) == (3, 3)  # 285 V are neither within 5 % of the rise's end nor 2 % of 300 V
    assert (m.unsure_s, m.unsure_between_s) == (0.002, 0.001)
    assert m.rise_s == pytest.approx(0.04 * 1.01 + 0.001)  # 286 V are 95 % of the rise
    volts = volts.copy()
    volts[16] = 400.0  # what comes behind the curve is none of its level where the attempt is over
    over = measure.measure(signals(310.0), link(volts.copy()), replace(attempt, end=15), stamps, timing)
    assert over.inside == 3
    timing.stamps.known = Known.AT_MOST
    other = measure.measure(signals(310.0), made, attempt, stamps, timing)
    assert other.unsure_between_s == 0.002
    told = replace(attempt, contactor_s=0.16)
    by_link = measure.measure(signals(), made, told, stamps, timing)
    assert (by_link.pack_by_link, by_link.pack_v) == (True, pytest.approx(300.0))
    unknown = measure.measure(signals(), made, attempt, stamps, timing)
    assert (unknown.pack, unknown.pack_by_link, unknown.highest_v) == (None, False, inf)


@pytest.mark.parametrize("level_v", [345.0, 300.0])
def test_a_closing_in_view_shows_the_pack_where_nothing_else_does(
    level_v: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    closing = replace(closed(200.0, 210.0, 90.0), level_v=level_v)
    monkeypatch.setattr(measure, "_cut_out", lambda *_: measure._Curve(3, 40, fitted(), None, None, None))
    monkeypatch.setattr(measure, "closing_of", lambda *_: closing)
    timing: Any = SimpleNamespace(stamps=SimpleNamespace(range_s=0.001, known=None), scale_error=0.0)
    stamps: Any = SimpleNamespace(range_s=0.002)
    made, attempt = link(np.where(AT > 0.105, 300.0, 0.0), noise_v=0.5), replace(ATTEMPT, onset=10, top=15, end=60)
    m = measure.measure(signals(), made, attempt, stamps, timing)
    assert m.pack is not None
    assert m.pack == pytest.approx((level_v, 0.98), abs=1e-3)
    assert m.closing is closing
    joined = measure.measure(signals(350.0), made, attempt, stamps, timing)
    assert (joined.closing is not None) is (level_v > 0.95 * 350.0)  # a relay that drops out leaves a step as well
    flagged = measure.measure(signals(350.0), made, replace(attempt, contactor_s=0.2), stamps, timing)
    assert flagged.closing is closing
    saws = measure.measure(signals(), made, replace(attempt, saws=1), stamps, timing)
    assert saws.closing is None
