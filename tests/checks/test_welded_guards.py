"""What shows that a contactor stays closed, and how far a link was charged: guards of single questions, by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from contactor_pieces import history, link_of, opening, part, switchings

from logscope.checks.contactors import welded as welds
from logscope.checks.contactors.order import Charged, Closing, _charged, _charged_share
from logscope.checks.contactors.welded import _correlation, _pack_falls_too, _pack_level, _slowest_s, _still_flows
from logscope.vehicle import DcLink, Precharge, Vehicle

T = np.arange(0.0, 20.0, 0.1)
AT = opening(5.0, 5.2, 15.0)


def volts(name: str, *levels: tuple[float, float]):
    """A voltage that takes each level from a time on [s, V]."""
    value = np.zeros(T.size)
    for begin_s, level in levels:
        value[np.searchsorted(T, begin_s - 1e-9) :] = level
    return part(name, T, value)


@pytest.mark.parametrize(
    ("amps", "until_s", "known"),
    [(-40.0, 15.0, True), (5.0, 15.0, False), (5.1, 15.0, True), (40.0, 5.35, False), (40.0, 5.45, True)],
)
def test_a_current_that_still_flows_is_a_load_in_three_readings(amps, until_s, known):
    current = part("battery_current", T, np.full(T.size, amps))
    found = _still_flows(current, replace(AT, end_s=until_s))
    assert (found is not None) is known
    assert _still_flows(None, AT) is None


def test_the_current_has_the_limits_of_its_middle_95_per_cent():
    current = part("battery_current", np.arange(5.2, 15.25, 0.1), 100.0 + np.arange(101.0))
    found = _still_flows(current, replace(AT, start_s=5.15, end_s=15.3))
    assert found is not None
    assert (found.value, found.low, found.high) == pytest.approx((150.0, 102.5, 197.5))


def test_the_bleeders_constant_is_that_of_its_slow_end():
    """47 kΩ · 1000 µF = 47 s, 20 % slower: 56.4 s."""
    made = Vehicle(precharge=Precharge(capacitance_uF=1000, tolerance=0.2), dc_link=DcLink(bleeder_ohm=47000))
    assert _slowest_s(history(vehicle=made)) == pytest.approx(56.4)
    assert _slowest_s(history(vehicle=Vehicle(precharge=Precharge(capacitance_uF=1000)))) is None


@pytest.mark.parametrize(("before_v", "after_v", "level_v"), [(350.0, 200.0, 350.0), (300.0, 340.0, 340.0)])
def test_the_packs_level_is_the_higher_of_before_and_after(before_v, after_v, level_v):
    """Read in the last second before the opening: what it was earlier does not count."""
    pack = volts("battery_voltage", (0.0, 390.0), (4.0, before_v), (5.15, after_v))
    assert _pack_level(history([pack]), AT) == pytest.approx(level_v)
    assert _pack_level(history(), AT) is None


@pytest.mark.parametrize(
    ("pack_fell_v", "link_fell_v", "too"),
    [
        (30.0, 30.0, True),
        (3.4, 3.4, False),
        (3.6, 3.6, True),
        (30.0, 46.0, True),
        (30.0, 48.0, False),
        (9.0, 19.0, False),
    ],
)
def test_a_pack_that_falls_with_the_link_is_the_links_own_reading(pack_fell_v, link_fell_v, too):
    """Beyond the 1 % of 350 V that a rest may bring, alike within 5 % of it, by half of the link's or more."""
    pack = volts("battery_voltage", (0.0, 350.0), (10.0, 350.0 - pack_fell_v))
    link = link_of(volts("dc_link_voltage", (0.0, 350.0), (10.0, 350.0 - link_fell_v)))
    assert _pack_falls_too(history([pack], link=link), link, AT) is too


@pytest.mark.parametrize(
    ("swing_v", "sign", "moves"), [(3.0, 1.0, True), (0.9, 1.0, True), (3.0, -1.0, False), (0.0, 1.0, False)]
)
def test_a_link_follows_its_pack_by_their_correlation(swing_v, sign, moves):
    """Both swing about lines of different slopes, which are taken off."""
    wave = swing_v * np.sin(2 * np.pi * T / 4.0)
    pack = part("battery_voltage", T, 350.0 + wave + 0.1 * T)
    link = link_of(part("dc_link_voltage", T, 350.0 + sign * wave - 0.4 * T))
    found = _correlation(pack, link, AT)
    assert (found is not None) is moves
    if found is not None:
        assert found == pytest.approx(1.0, abs=1e-3)
    assert _correlation(pack, link, replace(AT, end_s=6.05)) is None  # nine readings


@pytest.mark.parametrize(
    ("link_v", "noise_v", "pack_v", "share", "charged"),
    [
        (333.0, 0.0, 350.0, 333 / 350, Charged.YES),
        (332.0, 0.0, 350.0, 332 / 350, Charged.NO),
        (332.0, 0.5, 350.0, 333.5 / 350, Charged.YES),  # three noises higher it may be
        (333.0, 0.0, None, 333 / 348, Charged.YES),  # without a pack the level after the closing is its
        (300.0, 0.0, None, 300 / 348, Charged.NO),
    ],
)
def test_a_link_is_charged_by_its_last_reading_before_a_closing(link_v, noise_v, pack_v, share, charged):
    """95 % of 350 V are 332.5 V."""
    link = link_of(volts("dc_link_voltage", (0.0, 100.0), (9.9, link_v), (10.0, 348.0), (10.3, 399.0)), noise_v=noise_v)
    parts = [] if pack_v is None else [volts("battery_voltage", (0.0, pack_v))]
    made = history(parts, link=link)
    (switch,) = switchings("main_contactor", (10.0, True), within_s=0.05)
    assert _charged_share(made, switch) == pytest.approx(share)
    assert _charged(made, switch) is charged
    (first,) = switchings("main_contactor", (0.0, True), within_s=0.05)
    assert _charged(made, first) is Charged.UNKNOWN
    assert _charged(history(parts), switch) is Charged.UNKNOWN
    (last,) = switchings("main_contactor", (30.0, True), within_s=0.05)  # after the last reading, which is 399 V
    share = 399.0 / pack_v if pack_v else None
    assert _charged_share(made, last) == (None if share is None else pytest.approx(share + 3 * noise_v / (pack_v or 1)))


@pytest.mark.parametrize(
    ("correlation", "leaves", "pack_falls", "stuck", "reasons"),
    [
        (0.99, False, False, True, 1),
        (0.99, True, False, True, 1),  # one that moves with its pack has not left it
        (0.99, False, True, True, 0),  # the pack's reading is that of the link
        (None, True, False, False, 0),
        (None, False, False, True, 0),
    ],
)
def test_a_link_that_moves_with_its_pack_is_stuck_and_one_that_leaves_it_is_not(
    correlation, leaves, pack_falls, stuck, reasons, monkeypatch
):
    answers = {"_correlation": correlation, "_leaves": leaves, "_pack_falls_too": pack_falls}
    for name, answer in answers.items():
        monkeypatch.setattr(welds, name, lambda *_, answer=answer: answer)
    made = history([volts("battery_voltage", (0.0, 350.0))], link=link_of(volts("dc_link_voltage", (0.0, 350.0))))
    level = SimpleNamespace(falls=False, rate=SimpleNamespace(claim_high=0.0))
    for fit in (level, None):
        monkeypatch.setattr(welds, "fit_discharge", lambda *_, fit=fit: fit)
        found = welds._stuck(made, AT)
        assert (found is not None) is (stuck or fit is None)
        if found is not None:
            assert len(found.reasons) == reasons
            assert found.correlation == (None if pack_falls else correlation)


@pytest.mark.parametrize(("readings", "leaves"), [(3, True), (4, False), (5, False)])
def test_four_readings_show_that_a_pack_falls_with_its_link(readings, leaves):
    """Both by 1 V, the pack in its last two readings: 0.1 V of noise make 0.6 V of a fall."""
    at = np.linspace(6.0, 14.0, readings)
    pack = part("battery_voltage", at, np.where(np.arange(readings) < readings - 2, 350.0, 349.0))
    link = link_of(volts("dc_link_voltage", (0.0, 350.0), (10.0, 349.0)), noise_v=0.1)
    fit = SimpleNamespace(falls=True, voltage=lambda at_s: np.interp(at_s, [5.2, 15.0], [350.0, 349.0]))
    assert welds._leaves(history([pack], link=link), fit, AT, link) is leaves


def test_what_closed_is_listed_in_order_of_the_log():
    relay, main, negative = (switchings(n, (t, True))[0] for n, t in (("r", 2.0), ("m", 3.0), ("n", 1.0)))
    assert Closing(relay, main, negative).in_order == (negative, relay, main)
    assert Closing(None, main, None).in_order == (main,)


@pytest.mark.parametrize("falls_v_per_s", [0.0, 0.1])
def test_readings_that_stand_still_or_fall_evenly_do_not_move_together(falls_v_per_s):
    """Without a rounding step nothing but the arithmetic of the trend is left of either."""
    still = part("battery_voltage", T, np.full(T.size, 350.1))
    link = link_of(part("dc_link_voltage", T, 350.1 - falls_v_per_s * T))
    assert _correlation(still, link, AT) is None
    swings = part("battery_voltage", T, 350.1 + np.sin(T))
    assert _correlation(swings, link, AT) is None


@pytest.mark.parametrize(("low_readings", "too"), [(2, True), (1, False)])
def test_a_fall_is_that_of_the_middle_one_of_three_readings_at_either_end(low_readings, too):
    """By 3.6 V of 350 V: two of the last three readings show it, or one alone."""
    value = np.full(T.size, 350.0)
    last = int(np.searchsorted(T, 15.0, side="right"))
    value[last - low_readings : last] = 346.4
    pack, link = part("battery_voltage", T, value), link_of(part("dc_link_voltage", T, value))
    assert _pack_falls_too(history([pack], link=link), link, AT) is too
    early = np.full(T.size, 346.4)
    first = int(np.searchsorted(T, 5.2))
    early[first : first + low_readings] = 350.0
    pack, link = part("battery_voltage", T, early), link_of(part("dc_link_voltage", T, early))
    assert _pack_falls_too(history([pack], link=link), link, AT) is too


@pytest.mark.parametrize("pack_faster", [True, False])
@pytest.mark.parametrize(("swing_v", "moves"), [(1.3, True), (1.1, False)])
def test_a_pack_moves_by_three_of_its_own_noises_whichever_is_read_more_often(pack_faster, swing_v, moves):
    """A step of 1 V is a noise of 0.289 V, and a sine of 1.23 V has three of them as its deviation. The link: 9 V."""
    fine, coarse = np.arange(0.0, 20.0, 0.05), np.arange(0.0, 20.0, 0.1)
    pack_at, link_at = (fine, coarse) if pack_faster else (coarse, fine)
    pack = part("battery_voltage", pack_at, 350.0 + swing_v * np.sin(2 * np.pi * pack_at / 4.0), step=1.0)
    link = link_of(part("dc_link_voltage", link_at, 350.0 + 9.0 * np.sin(2 * np.pi * link_at / 4.0)))
    assert (_correlation(pack, link, replace(AT, start_s=5.0, end_s=17.0)) is not None) is moves


@pytest.mark.parametrize(
    ("claim_low_s", "falls", "fitted", "by_itself"),
    [(5.1, True, True, True), (4.9, True, True, False), (5.1, False, True, False), (5.1, True, False, False)],
)
def test_a_fall_once_the_other_contactor_opens_is_a_bleeders_where_it_takes_over_five_seconds(
    claim_low_s, falls, fitted, by_itself, monkeypatch
):
    """What LV 123 asks of an active discharge (value from memory)."""
    fit = SimpleNamespace(falls=falls, crossing=lambda: SimpleNamespace(claim_low=claim_low_s))
    monkeypatch.setattr(welds, "fit_discharge", lambda *_: fit if fitted else None)
    link = link_of(volts("dc_link_voltage", (0.0, 350.0)))
    held = replace(AT, held_until="negative_contactor")
    after = opening(15.0, 15.2, 19.0, shown_by="negative_contactor")
    assert welds._falls_by_itself(history(link=link, openings=[held, after]), held) is by_itself
    for others in ([], [opening(14.9, 15.2, 19.0, shown_by="negative_contactor")], [opening(15.0, 15.2, 19.0)]):
        assert not welds._falls_by_itself(history(link=link, openings=[held, *others]), held)
    assert not welds._falls_by_itself(history(openings=[held, after]), held)


def test_what_is_shown_to_be_stuck_and_what_is_left_open_are_findings_apart(monkeypatch):
    def stuck(_, at):
        reasons = ("it does not fall",) if at.low_s < 10.0 else ()
        return None if at.low_s > 12.0 else welds._Stuck(at, 350.0, 0.1, None, None, None, reasons)

    monkeypatch.setattr(welds, "_stuck", stuck)
    openings = [opening(at_s, at_s + 0.1, at_s + 1.0) for at_s in (5.0, 8.0, 10.0, 11.0, 13.0)]
    found = welds.welded(history(openings=openings))
    assert [each.kind for each in found] == ["contactor.welded", "contactor.welded", "contactor.undetermined"]
    assert [each.start_s for each in found] == [5.0, 8.0, 10.0]
    assert "Seen 2 times." in found[2].explanation
    assert len(welds.welded(history(openings=openings[:1]))) == 1


@pytest.mark.parametrize(("pack_fell_v", "link_fell_v", "too"), [(10.0, 20.0, True), (9.875, 20.0, False)])
def test_a_pack_falls_with_the_link_by_half_of_it_at_the_lowest(pack_fell_v, link_fell_v, too):
    pack = volts("battery_voltage", (0.0, 350.0), (10.0, 350.0 - pack_fell_v))
    link = link_of(volts("dc_link_voltage", (0.0, 350.0), (10.0, 350.0 - link_fell_v)))
    assert _pack_falls_too(history([pack], link=link), link, AT) is too


@pytest.mark.parametrize(("theirs", "ours", "known"), [(6, 6, True), (5, 6, False), (6, 5, False)])
def test_a_fall_wants_three_readings_at_either_end_of_both(theirs, ours, known):
    """By 30 V of 350 V."""
    pack, link = (
        part(name, 6.0 + np.arange(count), np.where(np.arange(count) < 3, 350.0, 320.0))
        for name, count in (("battery_voltage", theirs), ("dc_link_voltage", ours))
    )
    assert _pack_falls_too(history([pack], link=link_of(link)), link_of(link), AT) is known
