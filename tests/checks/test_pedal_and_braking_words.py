"""The findings on pedal and regeneration: severities, figures and words by hand, with the last edges of their guards.

Limits are common practice, no published source; Student's quantiles: scipy.stats.t.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.regeneration.braking import Braking, Fade, find_braking
from logscope.checks.regeneration.check import _full, _summary, full_words, regeneration, summary_words
from logscope.checks.throttle import check
from logscope.checks.throttle.check import (
    apart_words,
    both_words,
    falling_words,
    jump_words,
    noise_words,
    sound_words,
    throttle,
    undetermined_words,
)
from logscope.checks.throttle.pedal import (
    Rest,
    _at_rest,
    _due_within,
    find_dead_band,
    find_disagreement,
    find_jump,
    find_rest,
)
from logscope.checks.throttle.travel import Falling, _visits, find_falling
from logscope.findings import CAUTION_HV, Level, Mark, Measured, NothingToCheck, Severity
from logscope.signals import MissingPart
from logscope.vehicle import DcLink, Limits, Vehicle

T = np.arange(0.0, 60.0, 0.02)
REST = Rest(10.0, 0.25, 0.2, 0.3, 0.2, 500)
ANY: Any = None


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def test_a_sound_pedal_is_said_with_rest_noise_and_dead_band() -> None:
    words = sound_words(REST, Measured(4.0, "%", 3.5, 4.5), True)
    assert words.title == "Throttle: rests at 10.0 %, noise 0.250 %, no fault seen"
    assert plain(words.explanation) == (
        "Dead band: 4.00 % (95 %: 3.50 to 4.50 %) of travel. The two tracks agree. No part of the travel is skipped."
    )
    assert words.method.endswith("Skips are reported from 3 % of travel.")
    alone = sound_words(REST, None, False)
    assert alone.explanation.startswith("Dead band not measurable. A second track is not logged.")


def test_each_fault_of_a_pedal_is_said_with_its_numbers() -> None:
    noise = noise_words(REST, Measured(1.0, "%", 0.8, 1.2))
    assert noise.title == "Throttle: noise at rest, 0.250 %, reaches into the dead band of 1.00 %"
    assert plain(noise.method).startswith("Six standard deviations of the resting pedal are 1.50 % of travel")
    apart = apart_words(3, 12.3, 0.4)
    assert apart.title == "Throttle: the two tracks disagree by up to 12.3 %, 3 times"
    assert apart.explanation == "They usually agree within 0.400 %."
    assert "more than 5 % of travel for 100 ms or longer" in apart.method
    jump = jump_words(30.0, 34.5, 6)
    assert jump.title == "Throttle: no reading between 30.0 and 34.5 % of travel"
    assert "6 times" in jump.explanation
    falling = falling_words(Falling(24.5, 44.5, 6.0, "Nm"))
    assert falling.title == "Throttle: asks for at least 6.00 Nm less at 44.5 % of travel than at 24.5 %"
    both = both_words([(1.0, 1.5), (3.0, 4.0)], "Highest torque meanwhile: 9 Nm.")
    assert both.title == "Throttle and brake pressed together 2 times, for 1.5 s in all"
    assert both.explanation == "Highest torque meanwhile: 9 Nm."
    for words in (apart, jump, falling):
        assert words.next_step.startswith("Do not drive with an unreliable pedal signal.")
    assert not any(words.hands_near_hv for words in (noise, apart, jump, falling, both, undetermined_words()))


SPANS = [(1.0, 1.5), (3.0, 4.0)]


@pytest.mark.parametrize(
    ("seen", "kinds"),
    [
        ({}, ["throttle.sound"]),
        ({"find_disagreement": (SPANS, 12.0, 0.4)}, ["throttle.tracks"]),
        ({"find_jump": (30.0, 34.0, (5.0, 9.0))}, ["throttle.jump"]),
        ({"find_falling": Falling(24.5, 44.5, 6.0, "Nm")}, ["throttle.falling"]),
        ({"find_both": SPANS}, ["throttle.with_brake", "throttle.sound"]),
        ({"find_dead_band": Measured(1.0, "%", 0.8, 1.49)}, ["throttle.noise"]),  # six times 0.25 %
        ({"find_dead_band": Measured(1.0, "%", 0.8, 1.5)}, ["throttle.sound"]),
        ({"find_rest": None}, ["throttle.undetermined"]),
    ],
)
def test_each_fault_is_a_finding_of_its_own_and_a_pedal_with_none_is_sound(
    seen: dict[str, Any], kinds: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    none: dict[str, Any] = {
        "find_rest": REST, "find_disagreement": ([], 0.0, 0.0), "find_jump": None, "find_falling": None,
        "find_dead_band": None, "find_both": [],
    }  # fmt: skip
    for name, value in {**none, **seen}.items():
        monkeypatch.setattr(check, name, lambda *_, value=value: value)
    made = signals(*(part(name, T, T) for name in ("throttle", "throttle_second", "brake", "torque")))
    found = throttle(made, ANY, ANY)
    assert [each.kind for each in found] == kinds
    alone = throttle(signals(*(made.parts[name] for name in ("throttle", "brake", "torque"))), ANY, ANY)
    for one, tracks in ((found[-1], "The two tracks agree."), (alone[-1], "A second track is not logged.")):
        assert (tracks in one.explanation) == (one.kind == "throttle.sound")
    first = found[0]
    warns = {"tracks": Severity.DANGER, "jump": Severity.WARNING, "falling": Severity.WARNING,
             "noise": Severity.WARNING, "with_brake": Severity.INFO, "undetermined": Severity.INFO}  # fmt: skip
    assert first.severity is warns.get(first.kind.removeprefix("throttle."), Severity.GOOD)
    values = {name: each.value for name, each in first.measured.items()}
    if first.kind == "throttle.tracks":
        assert values == {"count": 2.0, "peak_percent": 12.0}
        assert len(first.events) == 2
    if first.kind == "throttle.jump":
        assert values == {"from_percent": 30.0, "to_percent": 34.0}
        assert [(each.start_s, each.end_s) for each in first.events] == [
            pytest.approx((5.0, 5.02)), pytest.approx((9.0, 9.02)),
        ]  # fmt: skip
        assert first.evidence.levels == tuple(Level(x, "travel jumped over", "throttle") for x in (30.0, 34.0))
    if first.kind == "throttle.falling":
        assert values == {"from_percent": 24.5, "to_percent": 44.5, "less_Nm": 6.0}
        assert [level.value for level in first.evidence.levels] == [24.5, 44.5]
    if first.kind == "throttle.with_brake":
        assert values == {"count": 2.0}
        assert first.explanation == "Highest torque meanwhile: 4 Nm."
    if first.kind in ("throttle.sound", "throttle.noise"):
        assert first.measured["rest_percent"].value == 10.0
        assert first.measured["noise_percent"] == Measured(0.25, "%", 0.2, 0.3)
        assert ("dead_band_percent" in first.measured) is ("find_dead_band" in seen)
        assert (first.start_s, first.end_s) == (0.0, T[-1])


def test_a_pedal_that_scatters_at_rest_has_limits_of_its_noise() -> None:
    """1.4 standard errors of a deviation over √n readings, 95 %, about 0.2 %; never below zero."""
    value = 10.0 + np.random.default_rng(3).normal(0.0, 0.2, T.size)
    value[1000:1500] = 60.0
    found = find_rest(part("throttle", T, value))
    assert found is not None
    assert found.noise == pytest.approx(0.2, rel=0.05)
    assert found.noise_high - found.noise == pytest.approx(1.96 * 1.4 * found.noise / found.rows**0.5, rel=1e-3)
    assert found.noise - found.noise_low == pytest.approx(found.noise_high - found.noise)
    assert found.drift == pytest.approx(0.2, rel=0.1)
    assert find_rest(part("throttle", T[:1], value[:1])) is None


def test_rest_is_where_the_level_about_a_sample_is_low() -> None:
    """Seldom readings: nine of them make the level; a lone wild one does not end a rest."""
    at = np.arange(0.0, 60.0, 0.1)
    value = np.where((at > 20.0) & (at < 40.0), 60.0, 10.0)
    value[50] = 60.0
    still = _at_rest(part("throttle", at, value))
    assert still[50]
    assert np.flatnonzero(~still)[0] == pytest.approx(197, abs=1)  # four rows before the press
    assert np.flatnonzero(~still)[-1] == pytest.approx(403, abs=1)
    near = _at_rest(part("throttle", at, np.where(at > 30.0, 12.1, 10.0)))
    assert not near[-1]
    assert _at_rest(part("throttle", at, np.where(at > 30.0, 11.9, 10.0)))[-1]


def test_half_of_all_passes_of_a_gap_have_to_be_slow() -> None:
    """Six slow passes and six, or seven, quick ones."""
    levels = np.concatenate((np.arange(12.2, 30.1, 0.2), np.arange(33.4, 60.0, 0.2)))
    slow = np.concatenate([levels[:: 1 if k % 2 == 0 else -1] for k in range(6)])
    for count, found in ((6, True), (7, False)):
        value = np.concatenate((slow, np.tile([14.0, 50.0], count)[: count + 1]))
        assert (find_jump(part("throttle", 0.02 * np.arange(value.size), value), REST) is not None) is found
    few = np.concatenate([levels[::10][:: 1 if k % 2 == 0 else -1] for k in range(12)])
    assert find_jump(part("throttle", 0.02 * np.arange(few.size), few), REST) is None  # nineteen levels or fewer
    assert not _due_within(np.array([20.0, 20.5, 21.0, 24.0]), 2, 3.0, 0.1)  # nothing after the gap


def test_tracks_that_cannot_be_compared_do_not_part() -> None:
    value = 10.0 + 5.0 * (T // 6.0)
    late = part("throttle_second", T + 1000.0, value)
    for first, second in (
        (part("throttle", T, value), late),
        (part("throttle", T, np.full(T.size, 10.0)), part("throttle_second", T, value)),
        (part("throttle", T[:99], value[:99]), part("throttle_second", T, value)),
    ):
        spans, worst, usual = find_disagreement(first, second)
        assert (spans, worst) == ([], 0.0)
        assert np.isnan(usual)


def test_how_far_a_pedal_moves_between_two_messages_parts_no_tracks() -> None:
    """200 % a second, the second track 20 ms late: 4 % and 5 % more are allowed, where it moves."""
    value = np.interp(T % 6.0, [0.0, 1.0, 3.0, 3.5, 5.0, 5.4], [0.0, 40.0, 40.0, 80.0, 80.0, 0.0])
    for late_s, parted in ((0.02, False), (0.12, True)):
        second = np.interp(T - late_s, T, value)
        spans, _, _ = find_disagreement(part("throttle", T, value), part("throttle_second", T, second))
        assert bool(spans) is parted


def stands(places: list[tuple[float, float]], each_s: float = 0.5) -> tuple[np.ndarray, np.ndarray]:
    index = (T // each_s).astype(int) % len(places)
    above, asked = (np.array([place[k] for place in places])[index] for k in (0, 1))
    return 12.0 + above, asked


def test_the_deepest_of_two_dips_is_named_and_four_visits_show_one() -> None:
    places = [(12.0, 80.0), (22.0, 70.0), (32.0, 60.0), (47.0, 100.0)]
    value, asked = stands(places)
    found = find_falling(part("throttle", T, value), REST, signals(part("torque_target", T, asked)))
    assert found == Falling(24.5, 44.5, 20.0, "Nm")
    for visits, seen in ((4, True), (3, False)):  # each round of four places takes 2 s
        until_s = 2.0 * visits
        other = np.where(until_s > T, value, 10.0)
        got = find_falling(part("throttle", T, other), REST, signals(part("torque_target", T, asked)))
        assert (got is not None) is seen
    amps = find_falling(part("throttle", T, value), REST, signals(part("motor_current_target", T, asked)))
    assert amps == Falling(24.5, 44.5, 20.0, "A")
    assert find_falling(part("throttle", T, value), REST, signals()) is None
    _, place, _ = _visits(
        part("throttle", T, np.where(T < 30.0, 9.9, 11.9)), REST, part("torque_target", T, asked), None
    )
    assert place.size == 0  # at rest


PACK = Vehicle(limits=Limits(battery_min_V=240, battery_max_V=344))
BRAKING = Braking(part("torque", T, T), ((2.0, 5.0), (8.0, 9.0)), 40.0)
FADE = Fade(Measured(400.0, "rpm", 350.0, 450.0), 3, 0.0)


@pytest.mark.parametrize(
    ("other", "says", "not_said", "do"),
    [
        ({}, "", "voltage", "Repeat with a full pack"),
        ({"power": 15_000.0}, "Up to 15.0 kW went back into the battery.", "below the highest", "Repeat"),
        ({"margin": Measured(10.3, "V", None, 10.6), "limit": "battery voltage", "close": True},
         "10.3 V were left below the highest permitted battery voltage.", "fades out", "Lower the regeneration limit"),
        ({"fade": FADE}, "to half at 400 rpm (95 %: 350 to 450 rpm).", "turned backwards", "Repeat"),
        ({"fade": replace(FADE, reverse_s=0.3)}, "It still braked for 300 ms after the motor had turned backwards.",
         "battery", "Let the torque fade out at a higher speed"),
    ],
)  # fmt: skip
def test_braking_is_said_with_what_is_known_of_it(other: dict[str, Any], says: str, not_said: str, do: str) -> None:
    given: dict[str, Any] = {"power": None, "margin": None, "fade": None, "limit": "", "close": False, **other}
    words = summary_words(BRAKING, *given.values())
    assert plain(words.title) == (
        f"Regeneration: braked 2 times, up to 40.0 Nm{', close to the voltage limit' * given['close']}"
    )
    assert says in plain(words.explanation)
    assert not_said not in words.explanation
    assert words.next_step.startswith(do)
    assert ("The fade-out speed of braking cannot be determined" in words.method) is (given["fade"] is None)
    assert ("measured in 3 stops" in words.method) is (given["fade"] is not None)
    assert ("Margin to the limit: 10.3 V" in plain(words.method)) is (given["margin"] is not None)
    assert summary_words(replace(BRAKING, part=part("battery_current", T, T)), *given.values()).title.count("40.0 A")


@pytest.mark.parametrize(("reverse_s", "severity"), [(0.21, Severity.WARNING), (0.2, Severity.GOOD)])
def test_braking_beyond_standstill_warns_from_200_ms_on(
    reverse_s: float, severity: Severity, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logscope.checks.regeneration.check.find_fade", lambda *_: replace(FADE, reverse_s=reverse_s))
    found = _summary(signals(part("motor_speed", T, T)), Vehicle(), BRAKING)
    assert found.severity is severity
    assert found.measured == {
        "peak_Nm": Measured(40.0, "Nm"), "count": Measured(2.0, "1"), "fade_rpm": FADE.half,
        "reverse_s": Measured(reverse_s, "s"),
    }  # fmt: skip
    assert [(each.start_s, each.end_s) for each in found.events] == list(BRAKING.spans)
    assert found.caution == CAUTION_HV


def test_the_margin_is_marked_at_its_moment() -> None:
    volts = np.full(T.size, 320.0)
    volts[150], volts[300] = 330.0, 400.0  # at 3 s, and at 6 s between two brakings
    made = signals(part("battery_voltage", T, volts), part("motor_speed", T, T), part("battery_current", T, 0 * T))
    found = _summary(made, PACK, BRAKING)
    assert found.measured["voltage_margin_V"] == Measured(14.0, "V", None, 14.0)
    assert found.measured["peak_power_W"] == Measured(0.0, "W")
    assert found.evidence.marks == (Mark(T[150], "highest while braking"),)
    assert found.evidence.levels == (Level(344.0, "highest permitted", "battery_voltage"),)
    link = Vehicle(dc_link=DcLink(max_voltage_V=400))
    dc = _summary(signals(part("dc_link_voltage", T, volts), part("motor_speed", T, T)), link, BRAKING)
    assert dc.evidence.levels == (Level(400.0, "highest permitted", "dc_link_voltage"),)
    assert dc.severity is Severity.GOOD  # 70 V are more than a tenth


def test_a_full_pack_is_said_with_its_worst_current() -> None:
    words = full_words(21.3, 345.5, 0.8, 344.0)
    assert words.title == "Regeneration into a full pack: 21.3 A at 346 V"
    assert words.explanation.startswith(
        "For 800 ms the motor charged a pack at or above its configured maximum of 344 V"
    )
    volts = np.where((T >= 3.0) & (T < 4.0), 345.0, 330.0)
    volts[175] = 348.0
    amps = np.where((T >= 2.0) & (T < 6.0), -20.0, 0.0)
    amps[160], amps[250] = -55.0, -90.0  # at 3.2 s in a full pack; at 5 s not
    (found,) = _full(signals(part("battery_voltage", T, volts), part("battery_current", T, amps)), PACK, BRAKING)
    assert {name: each.value for name, each in found.measured.items()} == {
        "peak_A": 55.0, "peak_V": 348.0, "total_s": pytest.approx(0.98),
    }  # fmt: skip
    assert "55.0 A at 345 V" in found.title
    assert found.evidence.levels == (Level(344.0, "highest permitted", "battery_voltage"),)


@pytest.mark.parametrize(("amps", "full"), [(-2.1, True), (-2.0, False)])
def test_two_steps_of_a_current_are_no_charge(amps: float, full: bool) -> None:
    volts = np.where((T >= 3.0) & (T < 4.0), 345.0, 330.0)
    made = signals(
        part("battery_voltage", T, volts), part("battery_current", T, np.where((T > 2.0) & (T < 5.0), amps, 0.0), 1.0)
    )
    assert bool(_full(made, PACK, BRAKING)) is full


def test_a_motor_that_never_brakes_is_not_checked() -> None:
    turning = part("motor_speed", T, np.full(T.size, 999.0))
    with pytest.raises(NothingToCheck, match="never brakes"):
        regeneration(signals(turning, part("torque", T, np.full(T.size, 20.0))), SimpleNamespace(), Vehicle())  # type: ignore[arg-type]
    with pytest.raises(MissingPart) as missing:
        find_braking(signals(turning))
    assert missing.value.part == "torque"


@pytest.mark.parametrize(("link_v", "close"), [(361.0, True), (359.0, False)])
def test_a_links_limit_is_near_by_a_tenth_of_itself_whatever_the_packs_range(link_v: float, close: bool) -> None:
    both = Vehicle(dc_link=DcLink(max_voltage_V=400), limits=Limits(battery_min_V=240))
    made = signals(part("dc_link_voltage", T, np.full(T.size, link_v)), part("motor_speed", T, T))
    found = _summary(made, both, BRAKING)
    assert ("close to the voltage limit" in found.title) is close
    assert found.severity is (Severity.INFO if close else Severity.GOOD)
    pack = Vehicle(limits=Limits(battery_max_V=400))  # no lowest voltage: a tenth of the highest
    made = signals(part("battery_voltage", T, np.full(T.size, link_v)), part("motor_speed", T, T))
    assert ("close to the voltage limit" in _summary(made, pack, BRAKING).title) is close


def test_of_two_messages_with_one_stamp_the_pedal_may_be_at_its_next_reading() -> None:
    """It moves by 0.2 % a reading; torque comes with the reading at 18.2 %, of the same stamp or a hair before it."""
    phase = T % 15.0
    value = 10.0 + np.clip((phase - 2.0) * 10.0, 0.0, 60.0) * (phase < 12.0)
    asked = np.where(value > 18.1 + 1e-6, 50.0, 0.0)
    for early_s, high in ((0.0, 8.4), (0.001, 8.2)):
        found = find_dead_band(part("throttle", T, value), REST, signals(part("torque_target", T - early_s, asked)))
        assert found is not None
        assert found.high == pytest.approx(high, abs=0.011)
