"""What the voltages of one circuit demand of each other, each guard on both sides of its edge: made readings by hand.

Joined terminals share a voltage; the edges are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.plausibility.paired import Kept
from logscope.plausibility.ties import Tie, Unexplained
from logscope.plausibility.voltages import _held_up, _live, _move_together, _ratio, _reads_open, voltage_ties
from logscope.signals import Part, Signals
from logscope.vehicle import DcLink, Limits, Vehicle

AT = np.arange(300) * 0.1
PLAIN = Vehicle()
LINK, SECOND, PACK = "dc_link_voltage", "dc_link_voltage_second", "battery_voltage"


def part(name: str, value: object, step: float | None = 0.1, time_s: np.ndarray = AT) -> Part:
    read = np.broadcast_to(np.array(value, dtype=float), time_s.shape)
    state = name.endswith(("contactor", "relay"))
    return Part(name, time_s, read, "", f"{name}.Made", step, on=read == 1 if state else None)


def ties(*parts: Part, vehicle: Vehicle = PLAIN) -> list[Tie]:
    return list(voltage_ties(Signals({each.name: each for each in parts}, 0.0, 30.0), vehicle))


SAGS = 350.0 - 20.0 * (np.floor(AT / 3) % 2)


def test_a_joined_link_has_the_voltage_of_its_pack() -> None:
    closed = part("main_contactor", 1.0)
    for name in (LINK, SECOND):
        (tie,) = ties(part(name, SAGS), part(PACK, SAGS), closed)
        assert tie == Tie(
            {name: 1, PACK: -1}, 1.0, 1.0, 1.0, 1 / 1.12, 1.12, "1 × the pack voltage while the contactors are closed",
            pytest.approx(0.3), pytest.approx(29.9), Unexplained.DOUBT,
        )  # fmt: skip
        (off,) = ties(part(name, 0.7 * SAGS), part(PACK, SAGS), closed)
        assert (off.ratio, off.fact.split(" ×")[0], off.unexplained) == (pytest.approx(0.7), "0.7", Unexplained.DOUBT)
        (moved,) = ties(part(name, 0.7 * SAGS), part(PACK, SAGS))
        assert (moved.ratio, moved.unexplained) == (pytest.approx(0.7), Unexplained.NOTHING)
        assert moved.fact.endswith("× the pack voltage, with which it rises and sags")
        assert (moved.lowest, moved.highest) == (1 / 1.12, 1.12)
        (agrees,) = ties(part(name, 350.0), part(PACK, 350.0))
        assert (agrees.ratio, agrees.unexplained) == (1.0, Unexplained.NOTHING)


def test_both_contactors_must_be_closed_around_a_moment() -> None:
    main, negative = (AT >= 10).astype(float), (AT < 20).astype(float)
    (tie,) = ties(
        part(LINK, 0.7 * SAGS), part(PACK, SAGS), part("main_contactor", main), part("negative_contactor", negative)
    )
    assert (tie.start_s, tie.end_s) == (pytest.approx(10.3), pytest.approx(19.7))
    other = 0.7 * np.where((AT > 10) & (AT < 20), SAGS, 2 * SAGS)  # only while closed is it at 0.7
    (tie,) = ties(
        part(LINK, other), part(PACK, SAGS), part("main_contactor", main), part("negative_contactor", negative)
    )
    assert tie.ratio == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("at_seven", "agreeing", "ratio"),
    [(0.55, 0.0, 0.7), (0.45, 0.0, None), (0.55, 0.06, 1.0), (0.55, 0.04, 0.7)],
)
def test_a_ratio_holds_at_half_of_the_moments_or_agrees_at_a_twentieth(
    at_seven: float, agreeing: float, ratio: float | None
) -> None:
    """Long stretches of each ratio, so that few moments are lost at their ends."""
    at = np.arange(3000) * 0.1
    share = np.where(at < 300 * agreeing, 1.0, np.where(at < 300 * (agreeing + at_seven), 0.7, 0.5))
    share[at > 240] = 0.4
    made = part(LINK, 350.0 * share, 0.1, at), part(SECOND, 350.0, 0.1, at)
    assert [tie.ratio for tie in ties(*made)] == ([] if ratio is None else [pytest.approx(ratio)])
    joined = part(LINK, 350.0 * share, 0.1, at), part(PACK, 350.0, 0.1, at), part("main_contactor", 1.0, None, at)
    found = [tie.ratio for tie in ties(*joined) if "contactors" in tie.fact]
    assert found == ([] if ratio is None else [pytest.approx(ratio)])


def test_two_readings_of_one_link_are_one_voltage() -> None:
    (tie,) = ties(part(LINK, SAGS), part(SECOND, SAGS / 2))
    assert tie.of == {LINK: 1, SECOND: -1}
    assert tie.ratio == pytest.approx(2.0)
    assert tie.fact == "2 × the second reading of the same link"
    assert tie.unexplained is Unexplained.DOUBT


@pytest.mark.parametrize(
    ("value", "step", "live"),
    [
        (31.0, 0.1, True),
        (29.0, 0.1, False),
        (-31.0, 0.1, True),
        (31.0, 3.0, True),
        (31.0, 3.2, False),
        (31.0, None, True),
    ],
)
def test_a_reading_is_live_above_three_tenths_of_its_highest_and_ten_steps(
    value: float, step: float | None, live: bool
) -> None:
    made = part(LINK, np.where(AT < 1, 100.0, value), step)
    assert bool(_live(made, np.array([value]))[0]) is live
    spike = part(LINK, np.where(AT < 0.15, 1000.0, 100.0), step)
    assert bool(_live(spike, np.array([31.0]))[0]) is (step != 3.2)


@pytest.mark.parametrize(("seconds", "kept"), [(2.6, True), (2.4, False)])
def test_a_ratio_must_be_seen_for_two_seconds(seconds: float, kept: bool) -> None:
    """From the sample at 10 s to the last; three tenths at the start and two at the end are not steady."""
    value = np.where((AT > 9.95) & (10 + seconds - 0.05 > AT), 350.0, 0.0)
    found = _ratio(part(LINK, value), part(PACK, value))
    assert (found is not None) is kept


def shown(at_s: np.ndarray, ratio: float = 0.1) -> Kept:
    return Kept(ratio, ratio, ratio, 1.0, 0.0, at_s, 1.0)


@pytest.mark.parametrize(
    ("count", "sag", "noise", "together"),
    [(20, 0.05, 0.0, True), (19, 0.05, 0.0, False), (300, 0.0045, 0.0, True), (300, 0.0035, 0.0, False),
     (300, 0.05, 0.02, True), (300, 0.05, 0.03, False)],
)  # fmt: skip
def test_a_link_sags_with_its_pack(count: int, sag: float, noise: float, together: bool) -> None:
    """Sags of four in a thousand; a square wave and independent noise correlate by 1/√(1 + (σ/half its height)²)."""
    wave = np.floor(np.arange(300) / 4) % 3 == 0  # a third of the time, so that the median is the level
    pack = 350.0 * (1.0 - sag * wave)
    other = np.where(np.arange(300) % 2, noise, -noise)
    link = part(LINK, 0.1 * 350.0 * (1.0 - sag * wave + other))
    assert _move_together(link, part(PACK, pack), AT[:count]) is together
    for own, packs in ((0.0035, 0.05), (0.05, 0.0035)):  # one of both hardly moves
        one, two = part(LINK, 35.0 * (1.0 - own * wave)), part(PACK, 350.0 * (1.0 - packs * wave))
        assert not _move_together(one, two, AT)
    still = part(LINK, 35.0)
    assert not _move_together(still, part(PACK, pack), AT)
    assert not _move_together(part(LINK, 35.0 * (1.0 + sag * wave)), part(PACK, pack), AT)


def test_a_link_is_open_while_its_contactor_reads_open_at_every_moment() -> None:
    def opened(value: object) -> bool:
        main = part("main_contactor", value)
        return _reads_open(Signals({main.name: main}, 0.0, 30.0), shown(AT[100:200]))

    assert opened(0.0)
    assert not opened(AT[150] == AT)
    assert opened(AT[250] == AT)
    assert not _reads_open(Signals({}, 0.0, 30.0), shown(AT))


@pytest.mark.parametrize(
    ("ratio", "level", "held"),
    [
        (4.1, 0.0, True), (4.0, 0.0, False), (3.9, 0.0, False),
        (0.1, 35.0, True), (0.107, 35.0, True), (0.11, 35.0, False),
        (0.01, 35.0, True), (0.001, 35.0, True), (0.5, 35.0, False), (0.1, 5.1, True), (0.1, 4.9, False),
        (0.1, np.where(AT < 15, 35.0, 35.0 * 1.009), True), (0.1, np.where(AT < 15, 35.0, 35.0 * 0.989), False),
        (0.1, np.where(AT < 9.9, 35.0, np.where(AT < 20.1, 90.0, 35.0)), True),  # the first and last third
        (0.1, np.where(AT < 10.5, 35.0, np.where(AT < 19.5, 90.0, 35.0)), True),
    ],
)  # fmt: skip
def test_a_link_at_rest_is_held_at_a_decimal_share_or_four_times_the_pack(
    ratio: float, level: float | np.ndarray, held: bool
) -> None:
    assert _held_up(part(LINK, level), shown(AT, ratio)) is held
    assert not _held_up(part(LINK, 35.0), shown(AT[5:7], 0.1))


def test_a_link_that_is_held_at_a_tenth_is_off_and_one_held_high_is_off_by_an_open_factor() -> None:
    (tie,) = ties(part(LINK, 35.0), part(PACK, 350.0))
    assert tie.fact == "0.1 × the pack voltage and is held there"
    assert (tie.ratio, tie.lowest, tie.unexplained) == (pytest.approx(0.1), 1 / 1.12, Unexplained.NOTHING)
    (high,) = ties(part(LINK, 1600.0), part(PACK, 350.0))
    assert (high.lowest, high.highest, high.ratio) == (1e-6, 1.12, pytest.approx(1600 / 350))
    assert ties(part(LINK, 1300.0), part(PACK, 350.0)) == []
    assert ties(part(LINK, 35.0), part(PACK, 350.0), part("main_contactor", 0.0)) == []
    assert ties(part(LINK, 245.0), part(PACK, 350.0)) == []


def charger(volts: float, amps: object, pack: float = 350.0) -> list[Tie]:
    return ties(part("charger_voltage", volts), part("charger_current", amps), part(PACK, pack))


def test_a_charger_that_delivers_is_at_the_voltage_of_the_pack() -> None:
    (tie,) = charger(175.0, 10.0)
    assert tie.of == {"charger_voltage": 1, PACK: -1}
    assert (tie.ratio, tie.fact) == (pytest.approx(0.5), "0.5 × the pack voltage while the charger delivers current")
    assert len(charger(350.0, -1.1)) == 1
    assert charger(350.0, 0.9) == []
    assert len(charger(350.0, np.where(AT < 2.8, 0.0, 10.0))) == 1  # nine tenths of the moments
    assert charger(350.0, np.where(AT < 3.8, 0.0, 10.0)) == []


def asked(volts: object, target: object = 400.0, amps: object = 10.0) -> list[Tie]:
    found = ties(
        part("charger_voltage", volts), part("charger_current", amps), part("charger_voltage_target", target),
        part(PACK, 0.0),
    )  # fmt: skip
    return [tie for tie in found if "requested" in tie.fact]


def test_a_charger_stays_below_what_is_asked_of_it() -> None:
    (tie,) = asked(380.0)
    assert tie == Tie(
        {"charger_voltage": 1, "charger_voltage_target": -1}, pytest.approx(0.95), pytest.approx(0.95),
        pytest.approx(0.95), 0.6, 1.1, "0.95 × the requested voltage", pytest.approx(0.3), pytest.approx(29.9),
    )  # fmt: skip
    assert asked(380.0, amps=0.9) == []
    assert len(asked(380.0, amps=-1.1)) == 1
    (tie,) = asked(380.0, np.where(AT < 20, 0.0, 400.0))
    assert tie.start_s == pytest.approx(20.0)
    assert asked(np.where(np.arange(300) % 4 < 2, 380.0, 300.0)) == []  # not steady


@pytest.mark.parametrize(
    ("lowest", "highest", "level", "low", "fact"),
    [
        (250.0, 400.0, 300.0, 0.375, "at 300 V, but the vehicle file states 250 to 400 V"),
        (None, 400.0, 300.0, 0.3, "at 300 V, but the vehicle file states 200 to 400 V"),
    ],
)
def test_a_pack_keeps_to_its_limits(lowest: float | None, highest: float, level: float, low: float, fact: str) -> None:
    vehicle = Vehicle(limits=Limits(battery_min_V=lowest, battery_max_V=highest))
    (tie,) = ties(part(PACK, np.where(AT < 12, 60.0, -level)), vehicle=vehicle)
    assert tie == Tie(
        {PACK: 1}, 0.75, 0.75, 0.75, pytest.approx(low), 1.15, fact, 0.0, pytest.approx(29.9), Unexplained.ODD
    )
    assert ties(part(PACK, 300.0), vehicle=Vehicle(limits=Limits(battery_min_V=250.0))) == []
    assert ties(part(PACK, 0.0), vehicle=vehicle) == []


def test_a_link_keeps_below_its_maximum_by_its_ninetieth_percentile() -> None:
    vehicle = Vehicle(dc_link=DcLink(max_voltage_V=400.0))
    for seconds, level in ((3.2, 500.0), (2.8, 100.0)):
        (tie,) = ties(part(LINK, np.where(seconds > AT, -500.0, 100.0)), vehicle=vehicle)
        assert tie == Tie(
            {LINK: 1}, level / 400, level / 400, level / 400, 1e-6, 1.15,
            f"at {level:g} V, but the vehicle file states at most 400 V", 0.0, pytest.approx(29.9),
        )  # fmt: skip
    assert ties(part(LINK, 0.0), vehicle=vehicle) == []
