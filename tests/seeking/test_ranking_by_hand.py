"""Scores, scales, delays and reasons of ranked fields: rows over a grid with the outcome by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from made_search import AT, FORCE, LINK, SPEED, STEP_S, by_number, hiss, numbers, search_of
from scipy.signal import lfilter

from logscope.seeking import search as search_module
from logscope.seeking.correlation import Correlated
from logscope.seeking.hits import Hit
from logscope.seeking.likeness.link import Precharge
from logscope.seeking.ranking import drive
from logscope.seeking.ranking.drive import force_of, of_the_drive, torque_field
from logscope.seeking.ranking.force import by_force, by_sag_and_power
from logscope.seeking.ranking.outcome import hits_of, link_up, rests, usual_scale
from logscope.seeking.ranking.speed import by_speed
from logscope.seeking.ranking.temperature import by_heat
from logscope.seeking.search import Search, once


@pytest.mark.parametrize(
    ("level", "factor"),
    [
        (60.0, 1.0), (400.0, 1.0), (900.0, 1.0), (901.0, 0.5), (1800.0, 0.5), (1801.0, 0.1), (9000.0, 0.1),
        (9001.0, 0.05), (18000.0, 0.05), (18001.0, 0.01), (90000.0, 0.01), (59.9, 2.0), (30.0, 2.0),
    ],
)  # fmt: skip
def test_a_level_reads_as_the_volts_of_a_traction_battery(level: float, factor: float) -> None:
    assert usual_scale(level) == (
        factor, "V", f"Scale assumed: a usual factor, with which the level is {level * factor:.0f} V; measure it."
    )  # fmt: skip


@pytest.mark.parametrize("level", [29.9, 90001.0, 0.0])
def test_no_usual_factor_makes_a_battery_of_other_levels(level: float) -> None:
    assert usual_scale(level) == (1.0, "", "Scale unknown.")


def correlated(best: list[float], delay_s: list[float], chance: list[float]) -> Correlated:
    return Correlated(np.array(best), np.array(delay_s), np.array(chance))


def test_hits_are_the_mean_of_their_templates_with_chance_and_delay() -> None:
    search = search_of([SPEED, -SPEED, hiss(), hiss(2)], STEP_S, {"motor_speed": 2.0 * SPEED + 3.0})
    first = correlated([0.6, -0.9, 0.0, 0.2], [0.1, -0.05, 0.0, 0.04], [0.3, 0.8, 0.9, 0.7])
    second = correlated([0.8, 0.9, 0.0, 0.4], [0.5, 0.5, 0.5, 0.5], [0.1, 0.6, 0.9, 0.7])
    hits = hits_of(search, "motor_speed_second", [("this", first), ("that", second)], "motor_speed")
    assert numbers(hits) == [1, 0, 3]  # the one without any is no hit
    assert [hit.score for hit in hits] == pytest.approx([0.9, 0.7, 0.3])
    # chance is 0.2, 0.7, 0.9 and 0.7: one log of four and the log itself reach 0.9, three of them 0.7
    assert [hit.false_positive_rate for hit in hits] == pytest.approx([0.4, 0.8, 0.8])
    assert hits[0].reasons == ("correlation -0.90 with this", "correlation +0.90 with that", "0.05 s before it")
    assert hits[1].reasons == ("correlation +0.60 with this", "correlation +0.80 with that", "0.10 s after it")
    assert hits[2].reasons == ("correlation +0.20 with this", "correlation +0.40 with that")  # less than a step
    assert (hits[0].scale, hits[0].offset, hits[0].unit) == (pytest.approx(-2.0), pytest.approx(3.0), "rpm")
    assert hits[0].scale_limits == pytest.approx((-2.0, -2.0))
    assert hits[0].offset_limits == pytest.approx((3.0, 3.0))
    assert hits[0].scale_from.startswith("Fitted to motor speed by a straight line: scale -2 to -2 rpm per count")
    assert (hits[1].scale, hits[1].offset, hits[1].unit) == (1.0, 0.0, "")
    assert hits[1].scale_from == "Scale unknown: nothing in its unit is known."
    assert (hits[1].scale_limits, hits[1].offset_limits) == (None, None)


@pytest.mark.parametrize(("best", "unit"), [(0.8, "rpm"), (0.799, "")])
def test_a_scale_is_fitted_where_a_field_follows_closely(best: float, unit: str) -> None:
    search = search_of([SPEED], STEP_S, {"motor_speed": SPEED})
    (only,) = hits_of(search, "motor_speed_second", [("x", correlated([best], [0.0], [0.1]))], "motor_speed")
    assert only.unit == unit


@pytest.mark.parametrize(
    ("part", "one_side", "both_sides"),
    [("torque", 0.75, 1.0), ("battery_current", 0.75, 1.0), ("motor_current", 1.0, 0.75), ("throttle", 1.0, 0.75),
     ("throttle_second", 1.0, 0.75), ("motor_current_target", 1.0, 0.75)],
)  # fmt: skip
def test_a_field_that_moves_to_the_wrong_sides_loses_a_quarter(part: str, one_side: float, both_sides: float) -> None:
    search = search_of([np.maximum(FORCE, 0.0), FORCE], STEP_S, {"vehicle_speed": SPEED})
    found = [("x", correlated([1.0, 1.0], [0.0, 0.0], [0.1]))]
    hits = by_number(hits_of(search, part, found, "", sides=True))
    assert (hits[0].score, hits[1].score) == pytest.approx((one_side, both_sides), abs=0.01)
    halved = by_number(hits_of(search, part, found, "", sides=True, weights=np.array([0.5, 0.0])))
    assert list(halved) == [0]
    assert halved[0].score == pytest.approx(one_side / 2, abs=0.01)


@pytest.mark.parametrize(("standing", "expected"), [(20, 7.0), (19, 3.0)])
def test_a_field_rests_where_the_vehicle_stands_for_a_second(standing: int, expected: float) -> None:
    """Within 1 % of the highest speed; where it hardly stands, the field rests where it stays longest."""
    speed = np.full(400, 100.0)
    speed[:standing] = 1.0
    speed[300:340] = 1.1
    row = np.full(400, 3.0)
    row[:standing] = 7.0
    assert rests(search_of([row], STEP_S, {"vehicle_speed": speed})).tolist() == [expected]
    assert rests(search_of([row], STEP_S, {"vehicle_speed": -speed})).tolist() == [expected]
    assert rests(search_of([row], STEP_S)).tolist() == [3.0]


def test_the_link_is_up_from_the_end_of_its_rise_to_its_fall() -> None:
    up = link_up(search_of([hiss()], STEP_S, {"dc_link_voltage": LINK}))
    assert up is not None
    inside = AT[up > 0]
    assert inside[0] == pytest.approx(5.0 + 0.3 * math.log(20), abs=0.11)
    assert inside[-1] == pytest.approx(55.0, abs=0.11)
    assert set(up.tolist()) == {0.0, 1.0}
    assert link_up(search_of([hiss()], STEP_S, {"dc_link_voltage": np.full(AT.size, 400.0)})) is None
    assert link_up(search_of([hiss()], STEP_S)) is None


def test_the_link_is_the_known_one_else_the_field_most_like_it() -> None:
    first, second = LINK, LINK / 2
    both = search_of([first], STEP_S, {"dc_link_voltage": first, "dc_link_voltage_second": second})
    assert both.link is not None
    assert both.link[0][1] is first
    assert both.link[1] == "the known DC-link voltage"
    other = search_of([first], STEP_S, {"dc_link_voltage_second": second})
    assert other.link is not None
    assert other.link[1].startswith("the known DC-link voltage")
    assert other.link[0][1] is second
    found = search_of([hiss(), first], STEP_S)
    assert found.link is not None
    assert found.link[1] == "can0 0x101 0|16@1+, which is most like a link voltage"
    assert found.link[0][1] == pytest.approx(first, abs=0.5)
    assert search_of([hiss()], STEP_S).link is None


@pytest.mark.parametrize(("link", "speed", "serves"), [(0.5, 0.4, True), (0.49, 0.39, False)])
def test_a_field_serves_as_link_or_speed_where_it_is_like_one(
    link: float, speed: float, serves: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    search = search_of([SPEED], STEP_S)
    vars(search)["rises"] = [(search.numbers[0], Precharge(5.0, 5.9, 0.3, 0.0, 400.0, 0.01, link))]
    assert (search.link is not None) is serves
    monkeypatch.setattr(search_module, "speedlike", lambda *_: np.array([speed]))
    assert (search.speed is not None) is serves


@pytest.mark.parametrize(
    ("known", "chosen"),
    [
        (["stator_frequency", "vehicle_speed", "motor_speed_second", "motor_speed"], "motor_speed"),
        (["stator_frequency", "vehicle_speed", "motor_speed_second"], "motor_speed_second"),
        (["stator_frequency", "vehicle_speed"], "vehicle_speed"),
        (["stator_frequency"], "stator_frequency"),
    ],
)
def test_the_speed_is_the_first_known_one(known: list[str], chosen: str) -> None:
    search = search_of([hiss()], STEP_S, {part: SPEED + k for k, part in enumerate(known)})
    assert search.speed is not None
    assert search.speed[0] is search.scene.known[chosen]
    assert search.speed[1].startswith("the known ")


@pytest.mark.parametrize(("turned", "offset"), [(1.0, 0.0), (1.0, 300.0), (-1.0, 300.0)])
def test_a_found_speed_is_zero_at_rest_and_above_while_it_moves(turned: float, offset: float) -> None:
    moved = 10 * np.where(AT < 20.0, 0.0, SPEED)
    search = search_of([hiss(), turned * moved + offset, 20 * np.gradient(moved, STEP_S)], STEP_S)
    assert search.speed is not None
    assert search.speed[0] == pytest.approx(moved, abs=0.5)
    assert search.speed[1].startswith("can0 0x101 0|16@1+, which is most like a speed") or turned < 0
    assert search_of([hiss(), hiss(2)], STEP_S).speed is None
    assert search_of([], STEP_S, {"aux_voltage": SPEED}).speed is None


def test_what_is_calculated_once_is_kept_with_its_search() -> None:
    calls = []

    def count(search: Search) -> int:
        calls.append(search)
        return len(calls)

    kept, one, other = once(count), search_of([SPEED], STEP_S), search_of([SPEED], STEP_S)
    assert [kept(one), kept(one), kept(other), kept(one)] == [1, 1, 2, 1]


@pytest.mark.parametrize(
    ("part", "known", "unit"),
    [
        ("motor_speed", "motor_speed_second", "rpm"), ("motor_speed_second", "motor_speed", "rpm"),
        ("vehicle_speed", "motor_speed", ""), ("motor_speed", "vehicle_speed", ""),
    ],
)  # fmt: skip
def test_a_second_reading_of_a_speed_has_its_unit(part: str, known: str, unit: str) -> None:
    hits, notes = by_speed(search_of([hiss(), 40 * SPEED], STEP_S, {known: SPEED}), part)
    assert numbers(hits)[0] == 1
    assert hits[0].score == pytest.approx(1.0)
    assert (hits[0].unit, notes) == (unit, [])
    assert hits[0].scale == pytest.approx(1 / 40 if unit else 1.0)


def test_without_a_known_speed_the_acceleration_goes_with_a_force() -> None:
    search = search_of([hiss(), 10 * SPEED, 20 * FORCE + 500], STEP_S, {"motor_speed": SPEED})
    vars(search)["scene"] = search_of([hiss(), 10 * SPEED, 20 * FORCE + 500], STEP_S).scene
    hits, notes = by_speed(search, "motor_speed")
    assert numbers(hits)[0] == 1
    assert hits[0].score > 0.99
    assert hits[0].unit == ""
    assert hits[0].scale_from == "Scale unknown: no speed is known."
    assert "as a speed follows a force" in hits[0].reasons[0]
    assert notes == ["No speed is known: road speed and motor speed look alike up to their scale."]
    assert hits[0].false_positive_rate == pytest.approx(1 / 31)  # none of thirty other times brings it


def test_a_temperature_follows_the_square_of_the_current() -> None:
    """A body of a time constant of 60 s heated by I²; beside it one that follows the current itself."""
    at = np.arange(0.0, 1200.0, 0.5)
    current = np.where((at > 100) & (at < 250), 400.0, np.where((at > 500) & (at < 900), 150.0, 20.0))
    keep = math.exp(-0.5 / 60.0)
    bodies = [lfilter([1 - keep], [1, -keep], current**power) for power in (1, 2)]
    linear, square = (20 + 60 * body / body.max() for body in bodies)
    search = search_of([linear, square, hiss()[: at.size].repeat(2)[: at.size]], 0.5, {"motor_current": current})
    hits, notes = by_heat(search, "motor_temperature")
    assert numbers(hits)[:2] == [1, 0]
    assert hits[0].score > 0.999
    assert hits[1].score < 0.95
    assert hits[0].reasons == (f"correlation {hits[0].score:+.2f} with the heat of the last minutes",)
    assert notes == ["Temperatures of one drive rise together: which is which cannot be determined."]


def test_heat_is_taken_from_what_is_known_best() -> None:
    at = np.arange(0.0, 1200.0, 0.5)
    body, other = np.where(at > 300, 1.0, 0.0), np.where(at > 800, 1.0, 0.0)
    keep = math.exp(-0.5 / 180.0)
    warm = 20 + 60 * lfilter([1 - keep], [1, -keep], body)
    for order in (("motor_current", "torque"), ("motor_current", "battery_current"), ("torque", "battery_current")):
        search = search_of([warm], 0.5, {order[1]: other, order[0]: body})
        assert by_heat(search, "motor_temperature")[0][0].score > 0.999
    assert by_heat(search_of([warm], 0.5), "motor_temperature") == (
        [], ["No current, torque or speed is known or found, so no heating can be followed."],
    )  # fmt: skip
    assert by_heat(search_of([], 0.5, {"torque": body}), "motor_temperature") == ([], ["No field of this log changes."])
    hits, notes = by_heat(search_of([warm], 0.5, {"coolant_temperature": 0.5 * warm - 40}), "coolant_temperature_out")
    assert (hits[0].scale, hits[0].offset, hits[0].unit) == (pytest.approx(0.5), pytest.approx(-40.0), "°C")
    assert notes == []


def test_heat_from_a_speed_is_the_square_of_its_force() -> None:
    at = np.arange(0.0, 600.0, 0.25)
    speed = np.where((at > 50) & (at < 250), 50.0 * np.sin(np.pi * (at - 50) / 200) ** 2, 0.0)
    force = np.gradient(speed, 0.25)
    keep = math.exp(-0.25 / 60.0)
    warm = lfilter([1 - keep], [1, -keep], np.maximum(force, -0.3 * force.max()) ** 2)
    hits, notes = by_heat(
        search_of([20 + 100 * warm / warm.max()], 0.25, {"vehicle_speed": speed}), "coolant_temperature"
    )
    assert hits[0].score > 0.99
    assert notes[0].startswith("The heat is taken from the acceleration of the known ")


@pytest.mark.parametrize(
    ("part", "twin"),
    [
        ("torque", "torque_target"), ("torque_target", "torque"), ("throttle", "throttle_second"),
        ("throttle_second", "throttle"), ("motor_current", "motor_current_target"),
        ("motor_current_target", "motor_current"),
    ],
)  # fmt: skip
def test_a_twin_gives_scale_and_unit(part: str, twin: str) -> None:
    hits, notes = by_force(search_of([hiss(), 40 * FORCE], STEP_S, {twin: FORCE, "vehicle_speed": SPEED}), part)
    assert numbers(hits)[0] == 1
    assert (hits[0].scale, hits[0].score) == (pytest.approx(1 / 40), pytest.approx(1.0))
    assert hits[0].unit in ("Nm", "%", "A")
    assert hits[0].reasons[0].startswith("correlation +1.00 with the known ")
    assert notes == []


def test_torque_is_the_known_one_else_the_field_most_like_it_zero_at_rest() -> None:
    motor = np.maximum(FORCE, -0.3 * FORCE.max())
    known = search_of([hiss()], STEP_S, {"vehicle_speed": SPEED, "torque_target": -FORCE, "torque": FORCE})
    found = force_of(known)
    assert found is not None
    assert found[0] is known.scene.known["torque"]
    assert found[1] == "the known torque"
    for sign in (1.0, -1.0):
        found = force_of(search_of([hiss(), sign * 10 * motor + 500.0], STEP_S, {"vehicle_speed": SPEED}))
        assert found is not None
        assert found[0] == pytest.approx(10 * motor, abs=1.0)
        assert "can0 0x101" in found[1]
        assert found[1].endswith("which is most like a torque")
    assert force_of(search_of([hiss()], STEP_S, {"vehicle_speed": SPEED})) is None
    assert force_of(search_of([hiss(), hiss(2)], STEP_S)) is None
    assert torque_field(search_of([hiss(), hiss(2)], STEP_S)) is None
    assert drive.drive_of(search_of([hiss(), hiss(2)], STEP_S)) == ({}, "")


def test_each_part_of_the_drive_is_the_field_that_moves_like_it() -> None:
    rolling = SPEED / SPEED.max()
    rows = [10 * FORCE + 500, 10 * np.abs(FORCE), 10 * np.maximum(FORCE, 0.0), 10 * FORCE * rolling + 300, hiss()]
    search = search_of(rows, STEP_S, {"vehicle_speed": SPEED, "torque": FORCE})
    for number, part in enumerate(("torque_target", "motor_current", "throttle_second", "battery_current")):
        if part == "torque_target":
            continue
        hits, notes = (by_sag_and_power if part == "battery_current" else by_force)(search, part)
        assert numbers(hits)[0] == number
        assert hits[0].score == pytest.approx(1.0 if part != "throttle_second" else 0.75, abs=0.02)
        assert notes == ["The force is that of the known torque."]
    only = search_of(rows, STEP_S, {"vehicle_speed": SPEED})
    hits, notes = by_force(only, "torque")
    assert numbers(hits)[0] == 0
    assert notes[0].startswith("The force is that of the acceleration of the known ")
    assert by_force(search_of([hiss(), hiss(2)], STEP_S), "torque") == (
        [], ["No speed is known or found, so that nothing shows what moves the vehicle."],
    )  # fmt: skip


@pytest.mark.parametrize(("delay_s", "score"), [(-0.5, 1.0), (0.0, 0.75), (0.2, 0.65), (0.5, 0.5), (0.9, 0.5)])
def test_a_pedal_comes_before_the_torque(delay_s: float, score: float) -> None:
    search = search_of([np.maximum(FORCE, 0.0)], STEP_S, {"vehicle_speed": SPEED})
    found = {"throttle": correlated([1.0], [delay_s], [0.1]), "torque": correlated([0.5], [0.0], [0.1])}
    (hit,) = of_the_drive(search, "throttle", "throttle", found, "x", [])
    assert hit.score == pytest.approx(score, abs=0.01)


def test_a_field_that_is_more_like_another_part_loses_by_the_square() -> None:
    search = search_of([FORCE], STEP_S, {"vehicle_speed": SPEED})
    found = {"torque": correlated([-0.8], [0.9], [0.1]), "throttle": correlated([0.9], [0.0], [0.1])}
    (hit,) = of_the_drive(search, "torque", "torque", found, "the sun", [])
    assert hit.score == pytest.approx(0.8 * (0.8 / 0.9) ** 2, abs=0.005)
    assert hit.reasons[0] == "correlation -0.80 with torque together with the sun"
    (half,) = of_the_drive(search, "torque", "torque", found, "the sun", [], likelier=np.array([0.5]))
    assert half.score == pytest.approx(0.4 * (0.8 / 0.9) ** 2, abs=0.005)


def test_a_field_that_falls_while_the_drive_warms_is_no_temperature_of_it() -> None:
    at = np.arange(0.0, 600.0, 0.5)
    heat = np.where((at > 100) & (at < 250), 1.0, 0.0)
    keep = math.exp(-0.5 / 60.0)
    warm = 60 * lfilter([1 - keep], [1, -keep], heat)
    hits, _ = by_heat(search_of([100 - warm, 20 + warm], 0.5, {"torque": heat}), "motor_temperature")
    scores = {number: hit.score for number, hit in by_number(hits).items()}
    assert scores[1] > 0.99
    assert scores.get(0, 0.0) < 0.9


def test_the_current_of_the_battery_is_force_times_speed() -> None:
    """Of two fields with the same force the one that also grows with the speed is the battery's."""
    known = {"torque": FORCE, "vehicle_speed": SPEED}
    search = search_of([10 * FORCE + 500, FORCE * SPEED / 5 + 500], STEP_S, known)
    found, source = torque_field(search) or ({}, "")
    assert source == "the known torque"
    assert found["battery_current"].best[1] == pytest.approx(1.0, abs=0.001)
    assert found["battery_current"].best[0] < 0.97
    assert found["torque"].best[0] == pytest.approx(1.0, abs=0.001)


@pytest.mark.parametrize(("score", "kept"), [(0.61, True), (0.59, False)])
def test_a_torque_must_be_like_one(score: float, kept: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    search = search_of([FORCE], STEP_S, {"vehicle_speed": SPEED})
    hit = Hit("torque", search.numbers[0], score, 0.01)
    monkeypatch.setattr(drive, "of_the_drive", lambda *of: [hit])
    assert (force_of(search) is not None) is kept
