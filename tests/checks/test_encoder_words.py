"""What is said of disturbances, of their company and of a clean speed: words and values by hand, from made analyses."""

from __future__ import annotations

from dataclasses import replace
from math import inf, sqrt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals
from one_check import findings_of

from logscope.checks.encoder.check import (
    _deviation,
    _disturbed,
    _duration,
    _floor,
    _noise,
    _without_disturbance,
    encoder,
)
from logscope.checks.encoder.disturbance_load import Companion, LoadRelation
from logscope.checks.encoder.disturbance_rate import RateLaw
from logscope.checks.encoder.disturbance_switching import Switching
from logscope.checks.encoder.speed_ripple import _lines, ripple
from logscope.checks.encoder.speed_scale import _compare
from logscope.checks.encoder.text import (
    company_in_words,
    floor_in_words,
    how_judged,
    limits_in_words,
    noise_title,
    relation_in_words,
    relation_method,
    slow_in_words,
    switching_in_words,
)
from logscope.findings import CAUTION_HV, Measured, Severity
from logscope.observations.motor_speed.disturbances import Disturbance
from logscope.statistics.rates import Estimate
from logscope.vehicle import Vehicle

T = np.arange(0.0, 60.0, 0.01)


def model(**other: Any) -> Any:
    return SimpleNamespace(
        **{
            "update_s": 0.01, "repeat": 1, "quantum_rpm": 1.0, "noise_rpm": 2.0, "slew_rpm_per_s": 30_000.0,
            "slew_origin": "rotor inertia", "in_gear_origin": "tyres", "smallest_seen_rpm": 120.0,
            "smallest_seen_free_rpm": 320.0, "smallest_seen_slow_rpm": 320.0, "tells_brief": True, "count_rpm": 0.0,
            "low_speed_rpm": 400.0, "reach": SimpleNamespace(slack=20.0), "running": np.full(T.size, True),
            "running_s": 60.0, "exposure_s": np.full(T.size, 0.01), "zero_rpm": 10.0, **other,
        }
    )  # fmt: skip


def study(*found: Disturbance, rpm: Any = 3000.0, **other: Any) -> Any:
    value = np.broadcast_to(np.asarray(rpm, float), T.shape)
    none = np.empty(0, dtype=np.intp)
    return SimpleNamespace(
        speed=part("motor_speed", T, value), model=model(**other), disturbances=found, steps=none, lost=none
    )


def episode(first: int, samples: int = 1, kind: str = "spike", rpm: float = 500.0) -> Disturbance:
    """Two samples of quiet on each side, so that no index can stand for another."""
    return Disturbance(kind, first - 2, first, first + samples - 1, first + samples + 2, rpm)


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


def test_each_kind_is_a_finding_with_its_worst_and_its_list() -> None:
    """Spikes of 1 and 3 samples at 10 and 20 s: gone after 3 and 5 samples; between 0 and 20 ms, up to 120 ms long."""
    spikes = episode(1000), episode(2000, 3, rpm=800.0)
    one = study(*spikes, episode(3000, 20, "hold", 900.0))
    found = _disturbed(signals(one.speed), one, "spike", None)
    assert (found.kind, found.severity, found.caution) == ("encoder.spike", Severity.WARNING, CAUTION_HV)
    assert plain(found.title).startswith("Motor speed: 2 spikes, up to 800 rpm")
    assert [(each.start_s, each.end_s) for each in found.events] == [
        pytest.approx((10.0, 10.03)), pytest.approx((20.0, 20.05)),
    ]  # fmt: skip
    assert found.measured["count"] == Measured(2.0, "")
    lasted = found.measured["duration_s"]
    assert (lasted.value, lasted.low, lasted.high) == pytest.approx((0.08, 0.02, 0.12))
    assert found.measured["rate_per_min"].value == pytest.approx(2.0)
    assert found.measured["peak_deviation_rpm"].value == 800.0
    assert found.expected["peak_deviation_rpm"] == Measured(None, "rpm", None, 120.0)
    assert [(mark.time_s, mark.label) for mark in found.evidence.marks] == [
        (pytest.approx(10.0), "spike"), (pytest.approx(20.0), "spike"),
    ]  # fmt: skip
    assert "screened twisted pairs" in found.next_step
    held = _disturbed(signals(one.speed), one, "hold", None)
    assert plain(held.title).startswith("Motor speed: 1 frozen reading of 900 rpm")
    assert "encoder or the message stopped" in held.next_step
    assert len(held.events) == 1
    many = study(*(episode(100 * k) for k in range(1, 30)))
    assert len(_disturbed(signals(one.speed), many, "spike", None).evidence.marks) == 20


@pytest.mark.parametrize(
    ("moved", "known_to"),
    [(100.0, 120.0), (0.0, 20.0), (5000.0, 1520.0)],  # within 50 ms a shaft turns 1500 rpm faster at most
)
def test_a_deviation_is_known_to_what_the_shaft_did_meanwhile(moved: float, known_to: float) -> None:
    rpm = np.where(T < 10.0, 3000.0, 3000.0 + moved)
    found = _deviation(study(rpm=rpm), episode(1000))
    assert (found.value, found.low, found.high) == pytest.approx((500.0, max(500.0 - known_to, 0.0), 500.0 + known_to))


def test_the_time_disturbed_is_bounded_by_the_samples_beside() -> None:
    found = _duration(study(), (episode(1000, 4),))
    assert (found.value, found.low, found.high) == pytest.approx((0.06, 0.03, 0.08))


@pytest.mark.parametrize(
    ("noise", "quantum", "floor"),
    [
        (2.0, 1.0, Measured(2.0, "rpm")),
        (1.0, 4.0, Measured(0.0, "rpm", None, 4.0 / sqrt(12.0))),  # a uniform error's deviation
        (1.16, 4.0, Measured(1.16, "rpm")),
        (1.15, 4.0, Measured(0.0, "rpm", None, 4.0 / sqrt(12.0))),
    ],
)
def test_noise_below_the_rounding_is_less_than_it(noise: float, quantum: float, floor: Measured) -> None:
    got = _floor(study(noise_rpm=noise, quantum_rpm=quantum))
    assert (got.value, got.high) == (floor.value, pytest.approx(floor.high) if floor.high else None)
    assert floor_in_words(got) == ("less than 1.2 rpm" if floor.high else f"{noise:.3g} rpm")


FACTOR = Estimate(2.5, 1.25, 5.0)
LINE: Any = tuple(np.array([0.0, 100.0]) for _ in range(4))
LAW = RateLaw(FACTOR, Estimate(0.9, 0.2, 1.6), 0.5, LINE)


def relation(**other: Any) -> LoadRelation:
    given: dict[str, Any] = {"electrical": False, **other}
    return LoadRelation(50.0, 20.0, 250.0, 3, 7, 1.5, 0.75, given.pop("per_100_amps", FACTOR), **given)


SWITCHING = Switching("main_contactor", 8, 5, Estimate(40.0, 12.0, 90.0))


def test_what_the_disturbances_follow_leads_the_finding_on_all_of_them() -> None:
    one = study(episode(1000), episode(2000))
    by_current = _noise(signals(one.speed), one, relation(electrical=True))
    assert by_current.severity is Severity.WARNING
    assert by_current.explanation.startswith("They rise with current")
    assert list(by_current.measured) == ["rate_ratio_per_100A", "rate_per_min", "floor_rpm"]
    assert by_current.measured["rate_ratio_per_100A"] == Measured(2.5, "", 1.25, 5.0)
    none = _noise(signals(one.speed), one, None)
    assert none.severity is Severity.INFO
    assert list(none.measured) == ["rate_per_min", "floor_rpm", "rate_ratio_per_100A"]
    assert none.measured["rate_ratio_per_100A"].value is None
    assert (none.start_s, none.end_s) == (0.0, T[-1])
    assert "scatters by 2 rpm" in none.method
    assert none.evidence.charts == ()
    on = (T // 10.0).astype(int) % 2 == 1
    at = [episode(round(1000 * k) + 2) for k in (1, 2, 3, 4)]
    coil = study(*at)
    found = _noise(signals(coil.speed, part("main_contactor", T, on, on=on)), coil, None)
    assert found.severity is Severity.WARNING
    assert next(iter(found.measured)) == "rate_ratio_at_switching"
    assert found.title == "Motor speed: disturbances come when the main contactor switches"
    assert found.explanation.startswith("4 of 5 switchings")
    assert found.next_step.startswith("With the power off, fit a suppressor")


@pytest.mark.parametrize(
    ("electrical", "switching", "title"),
    [
        (True, None, "Motor speed: disturbances rise with motor current, 3 per minute"),
        (False, None, "Motor speed: all disturbances together, 3 per minute"),
        (True, SWITCHING, "Motor speed: disturbances come when the main contactor switches"),
    ],
)
def test_the_title_names_what_they_follow(electrical: bool, switching: Switching | None, title: str) -> None:
    assert noise_title("3 per minute", electrical=electrical, switching=switching) == title


def test_switchings_are_counted_in_words() -> None:
    assert switching_in_words(None) == ""
    assert switching_in_words(SWITCHING).startswith(
        "5 of 8 switchings of the main contactor came with a disturbance, 40 times as often as otherwise "
        "(95 %: at least 12 times)."
    )
    every = replace(SWITCHING, ratio=Estimate(inf, 12.0, inf))
    assert "at least 12 times as often" in switching_in_words(every)


def test_a_factor_of_the_current_is_given_with_its_limits() -> None:
    one = study(episode(1000))
    assert relation_in_words(one, None).startswith("Whether they follow the motor current cannot be determined")
    told = relation_in_words(one, relation(electrical=True))
    assert told.startswith("They rise with current")
    assert told.endswith("Their rate per 100 A of motor current: × 2.5 (95 %: 1.2 to 5).")
    open_ended = relation_in_words(one, relation(per_100_amps=Estimate(inf, 1.5, inf)))
    assert open_ended.endswith("unbounded (95 %: at least 1.5).")
    large = relation_in_words(one, relation(per_100_amps=Estimate(100.0, 99.0, 450.0)))
    assert large.endswith("× 100 (95 %: 99 to 450).")
    assert "likely mechanical" in relation_in_words(one, relation(law=replace(LAW, current=Estimate(1.2, 0.8, 2.0))))


@pytest.mark.parametrize(
    ("samples", "kinds", "lost"),
    [
        ((5, 5, 1), ("hold", "dropout", "spike"), True),  # with what follows, away for 0.1 s
        ((4, 5, 1), ("hold", "dropout", "spike"), False),
        ((7, 1), ("dropout", "spike"), False),  # one of two
        ((9, 9, 1), ("burst", "burst", "dropout"), False),
    ],
)
def test_most_of_them_lost_for_a_tenth_of_a_second_points_to_a_connection(
    samples: tuple[int, ...], kinds: tuple[str, ...], lost: bool
) -> None:
    """An episode of n samples is away until n + 2 samples later."""
    time = np.arange(T.size) / 64.0  # six of them are 0.094 s, seven 0.109 s
    one = study(*(episode(1000 * (k + 1), n, kind) for k, (n, kind) in enumerate(zip(samples, kinds, strict=True))))
    one.speed = part("motor_speed", time, T)
    assert ("likely a connection" in relation_in_words(one, relation())) is lost


def test_how_the_factor_was_found_is_said() -> None:
    assert relation_method(None) == ""
    assert relation_method(relation()) == (
        "All kinds together: 7 in 0.75 min above 50 A (mean 250 A), 3 in 1.50 min below (mean 20 A). As there are few, "
        "the rates above and below the median current are compared."
    )
    assert relation_method(relation(law=LAW)).endswith(
        "a regression of their rate on current and speed, which they follow to the power 0.9 (0.2 to 1.6); they come "
        "in clusters, which widens the interval."
    )
    assert relation_method(relation(law=RateLaw(FACTOR, None, 0.0, LINE))).endswith("their rate on current.")


def test_companions_say_whether_they_matter() -> None:
    assert company_in_words(None) == ""
    assert company_in_words(relation()) == ""
    both = (
        Companion("throttle", "10 %", Estimate(1.5, 1.2, 1.9)),
        Companion("dc_link_voltage", "10 V", Estimate(0.9, 0.7, inf)),
    )
    assert company_in_words(relation(companions=both)) == (
        " At the same current and speed: for each 10 % more of the throttle, the rate × 1.5 (95 %: 1.2 to 1.9); "
        "for each 10 V more of the DC-link voltage, the rate × 0.9 (95 %: from 0.7 on; the interval includes no "
        "effect)."
    )


def test_from_what_step_a_reading_counts_is_said() -> None:
    brief = limits_in_words(model())
    assert "beyond 120 rpm (tyres)" in brief
    assert brief.endswith("it takes a step beyond 320 rpm in 10 ms (rotor inertia).")
    coarse = limits_in_words(model(tells_brief=False))
    assert coarse == "A reading counts as disturbed from a step beyond 320 rpm in 10 ms (rotor inertia)."
    assert how_judged(study(), "hold").startswith("The reading stays exactly the same")
    assert brief in how_judged(study(), "spike")
    assert slow_in_words(model()) == ""
    assert slow_in_words(model(count_rpm=100.0)) == (
        " Below 400 rpm, where single encoder counts of 100 rpm make the reading jump, it takes 320 rpm."
    )


def test_a_clean_speed_says_from_what_size_on_it_would_have_shown() -> None:
    found = _without_disturbance(signals(study().speed), study())
    assert (found.kind, found.severity, found.caution) == ("encoder.clean", Severity.GOOD, "")
    assert found.title == "Motor speed: no disturbance above 120 rpm"
    assert "10 ms apart" in found.explanation
    assert {name: each.value for name, each in found.measured.items()} == {
        "floor_rpm": 2.0, "smallest_seen_rpm": 120.0, "smallest_seen_free_rpm": 320.0, "rate_per_min": 0.0,
    }  # fmt: skip
    assert (found.start_s, found.end_s) == (0.0, T[-1])


@pytest.mark.parametrize(
    ("other", "says", "do"),
    [
        ({"running_s": 0.0}, "The motor never turned", "Record a spin"),
        ({"update_s": 0.1201}, "Readings come 120 ms apart, and most disturbances are over within 100 ms",
         "every 10 ms"),
        # 3000 rpm less a slack of 20, a quarter of it at 30,000 rpm/s
        ({"smallest_seen_rpm": 3000.0}, "may change by 3000 rpm (rotor inertia), and the speed never exceeds 3000 rpm",
         "every 25 ms"),
        ({"smallest_seen_rpm": 3000.0, "reach": SimpleNamespace(slack=3000.0)}, "may change by 3000 rpm",
         "with a finer step and less noise"),
        ({"update_s": 0.1199, "smallest_seen_rpm": 2999.0}, "", ""),
    ],
)  # fmt: skip
def test_a_speed_is_clean_only_where_a_disturbance_would_show(other: dict[str, Any], says: str, do: str) -> None:
    found = _without_disturbance(signals(study().speed), study(rpm=-3000.0, **other))
    assert found.kind == ("encoder.undetermined" if says else "encoder.clean")
    assert says in found.explanation
    assert do in found.next_step


@pytest.mark.parametrize(("count", "too_few"), [(9, True), (10, False)])
def test_ten_samples_are_what_an_encoder_is_judged_by(count: int, too_few: bool) -> None:
    made = signals(part("motor_speed", T[:count], 1000.0 + T[:count]))
    (found,) = findings_of(encoder, made, Vehicle())
    assert ("only 9" in found.explanation) is too_few
    assert found.next_step.startswith("Record the motor speed for some seconds") is too_few


@pytest.mark.parametrize(
    ("factor", "near"),
    [(2.03, "near twice it"), (0.509, "near half it"), (4.0, "near four times it"), (0.25, "near a quarter of it"),
     (1.5, ""), (2.05, "")],
)  # fmt: skip
def test_a_factor_that_is_a_miscount_of_edges_is_named(factor: float, near: str) -> None:
    """Within the tolerance of 2 %."""
    second = part("motor_speed_second", T, np.full(T.size, 2000.0))
    one = study(rpm=2000.0 * factor)
    (found,) = _compare(one, second, second.value, 300.0, 0.02, "the second motor speed, as logged", None)
    assert found.title == f"Motor speed: reads {factor:.3g} times what the second motor speed says"
    assert f"A constant factor, {factor:.3f} (95 %: {factor:.3f} to {factor:.3f})" in found.explanation
    assert near in found.explanation
    assert ("edges may be counted" in found.explanation) is bool(near)
    assert found.expected["scale"] == Measured(1.0, "", 0.98, 1.02)
    assert found.parts == ("motor_speed", "motor_speed_second")
    assert found.method == "Compared with the second motor speed, as logged. Up to 2 % is usual."
    assert (found.start_s, found.end_s) == (0.0, T[-1])


def rippling(share: float, order: int = 3, period_s: float = 0.002, rpm: float = 600.0) -> Any:
    time = np.arange(0.0, 20.0, period_s)
    noise = np.random.default_rng(6).normal(0.0, 0.002, time.size)
    value = rpm * (1.0 + share * np.sin(2 * np.pi * order * rpm / 60.0 * time) + noise)
    one = study(update_s=period_s)
    one.speed, one.model.running = part("motor_speed", time, value), np.full(time.size, True)
    return one


def test_a_ripple_is_given_by_its_order_and_its_share_of_the_speed() -> None:
    """4 % of 600 rpm three times a turn; 250 Hz of 0.9 shown at 10 turns a second: all eight orders."""
    one = rippling(0.04)
    (found,) = ripple(signals(one.speed), one)
    assert found.title == "Motor speed: ripples 3 times a turn, by 4.0 %"
    assert found.measured["order"] == Measured(3.0, "")
    size, share = found.measured["amplitude_rpm"], found.measured["fraction_of_speed"]
    assert share.value == pytest.approx(0.04, rel=0.02)
    assert (size.value, size.low, size.high) == pytest.approx(
        tuple(600.0 * each for each in (share.value, share.low, share.high)), rel=0.01
    )
    assert "orders up to 8" in found.method
    (chart,) = found.evidence.charts
    spectrum, clear = chart.series
    assert spectrum.x[int(np.argmax(spectrum.y))] == pytest.approx(3.0)
    assert float(np.max(spectrum.y)) == pytest.approx(4.0, rel=0.03)
    assert clear.x.tolist() == [3.0]
    assert clear.y == pytest.approx(100.0 * share.value)
    assert (clear.low, clear.high) == (pytest.approx(100.0 * share.low), pytest.approx(100.0 * share.high))


@pytest.mark.parametrize(("share", "found"), [(0.009, 0), (0.011, 1)])
def test_a_ripple_of_less_than_a_hundredth_is_a_sound_targets(share: float, found: int) -> None:
    one = rippling(share)
    assert len(ripple(signals(one.speed), one)) == found


def test_orders_are_looked_at_as_far_as_the_sampling_shows_them() -> None:
    """At 3000 rpm, 50 turns a second, a reading every 2.5 ms shows 180 Hz: 3.6 times a turn."""
    turns = np.arange(0.0, 16.0, 0.125)
    seen = SimpleNamespace(turns=turns, share=np.sin(turns), shows=lambda order: order * 50.0 < 180.0)
    made: Any = [seen, seen, seen]
    assert [round(line.order) for line in _lines(made)] == [1, 2, 3]
    assert _lines(made[:2]) == []
