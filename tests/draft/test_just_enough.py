"""What is just enough for a signal to count, and what is one sample less: the limits themselves, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.definitions.spec import SignalSpec
from logscope.draft.behaviour import Rise, goes_with
from logscope.draft.evidence import behaviour, pack_direction
from logscope.draft.logged import Logged
from logscope.draft.names import Sense, meanings
from logscope.draft.scoring import fit
from logscope.draft.surroundings import Surroundings

NOTHING = Surroundings((), {}, None, "")
TWENTY = np.arange(20.0)


def logged(reference: str, unit: str, value: np.ndarray, time_s: np.ndarray, **spec: object) -> Logged:
    message, _, name = reference.partition(".")
    sense = Sense(meanings(name), meanings(message))
    facts = {"bits": 16} | spec
    return Logged(reference, SignalSpec(name, 0, unit=unit, **facts), sense, time_s, value)  # type: ignore[arg-type]


def points(part: str, unit: str, value: np.ndarray, time_s: np.ndarray) -> list[float]:
    return [each.points for each in behaviour(part, logged("A.B", unit, value, time_s), NOTHING)]


@pytest.mark.parametrize(
    ("part", "unit", "usual", "odd", "nineteen", "eighteen"),
    [
        ("torque", "Nm", 40.0, 3100.0, [], [-2.0]),
        ("torque", "Nm", -40.0, -3100.0, [], [-2.0]),
        ("cell_voltage_highest", "V", 3.6, 5.1, [], [-2.0]),
        ("cell_voltage_lowest", "V", 3.6, 0.4, [], [-2.0]),
        ("aux_voltage", "V", 13.0, 16.5, [2.0], [-2.0]),
        ("aux_voltage", "V", 13.0, 8.5, [2.0], [-2.0]),
        ("dc_link_voltage", "V", 13.0, 16.5, [-1.5], [0.0]),
    ],
)
def test_nineteen_samples_of_twenty_are_enough(
    part: str, unit: str, usual: float, odd: float, nineteen: list[float], eighteen: list[float]
) -> None:
    assert points(part, unit, np.where(TWENTY < 19, usual, odd), TWENTY) == nineteen
    assert points(part, unit, np.where(TWENTY < 18, usual, odd), TWENTY) == eighteen


@pytest.mark.parametrize(("jumps", "found"), [(1, [0.5]), (2, [-2.0])])
def test_a_temperature_may_jump_once_in_twenty_seconds(jumps: int, found: list[float]) -> None:
    """Twenty-one readings, one a second: twenty changes; a jump of 11 K, and 10 K are no jump."""
    at = np.arange(21.0)
    changes = np.where(np.arange(20) < jumps, 11.0, 10.0) * np.where(np.arange(20) % 2 == 0, 1, -1)
    assert points("motor_temperature", "°C", 40 + np.concatenate(([0.0], np.cumsum(changes))), at) == found


def test_no_temperature_is_judged_by_a_single_second() -> None:
    at = np.linspace(5.0, 5.9, 10)
    assert points("motor_temperature", "°C", 20 + 30 * (at - 5), at) == []


@pytest.mark.parametrize(
    ("part", "reference", "expected"),
    [
        ("dc_link_voltage", "Box.HvVoltage", 2.0),  # 0.5 for half of a half, 0.5 for the quantity, 1 for the unit
        ("dc_link_voltage", "Box.InverterVoltage", 2.5),
        ("dc_link_voltage", "Box.DcLinkVoltage", 3.5),
        ("battery_voltage", "Box.HvVoltage", 2.5),
        ("battery_voltage", "Box.BatteryVoltage", 3.5),
        ("battery_voltage", "Box.DcLinkVoltage", None),
        ("dc_link_voltage", "Box.BatteryVoltage", None),
        ("charger_voltage", "Box.ChargerVoltage", 3.5),
        ("charger_voltage", "Box.DcLinkVoltage", 1.5),
        ("charger_voltage", "Box.BatteryVoltage", None),
        ("aux_voltage", "Box.DcLinkVoltage", None),
    ],
)
def test_a_voltage_s_name_says_it_plainly_by_half_or_not_at_all(
    part: str, reference: str, expected: float | None
) -> None:
    """At 20 to 25 V, a level that says nothing for or against a link, a battery or a charger."""
    found = fit(part, logged(reference, "V", 20 + TWENTY % 6, TWENTY), NOTHING)
    assert (None if found is None else found.points) == expected


def test_what_shows_one_clear_piece_of_evidence_speaks_for_itself() -> None:
    """A steady 320 V is as a battery is, 1 point; in steps to 40 % no more."""
    steady = logged("Msg1.Sig1", "V", np.where(TWENTY % 2 == 0, 320.0, 321.0), TWENTY)
    found = fit("battery_voltage", steady, NOTHING)
    assert found is not None
    assert (found.points, found.speaks) == (2.0, True)
    link = fit("dc_link_voltage", steady, NOTHING)
    assert link is not None
    assert (link.points, link.speaks) == (1.0, False)


@pytest.mark.parametrize("still", ["own", "other"])
def test_what_stands_still_goes_with_nothing(still: str) -> None:
    wave = np.sin(TWENTY)
    own, other = (0 * wave, wave) if still == "own" else (wave, 0 * wave)
    assert goes_with(TWENTY, own, TWENTY, other) == 0
    assert goes_with(TWENTY, wave, TWENTY, wave) == 1


@pytest.mark.parametrize(("amps", "direction"), [(0.3, 0), (0.35, 1), (-0.3, 0), (-0.35, -1)])
def test_a_direction_takes_a_change_beyond_the_noise_of_the_rest(amps: float, direction: int) -> None:
    """Noise of 0.1 A at rest and means of 4 and 6 readings: a standard error of 0.1·√(1/4 + 1/6) = 0.065 A, and five of
    them are 0.32 A."""
    rest, rise = 9.05 + 0.1 * np.arange(6), 10.2 + 0.2 * np.arange(4)
    at = np.concatenate((rest, rise))
    value = np.concatenate((np.tile([0.1, -0.1], 3), np.full(4, amps)))
    around = Surroundings((), {}, Rise(10.0, 11.0), "Inv.Link")
    assert pack_direction(logged("Pack.I", "A", value, at, scale=0.001), value, around) == direction


@pytest.mark.parametrize(
    ("before", "during", "direction"), [(3, 2, 1), (2, 2, 0), (3, 1, 0), (4, 1, 0), (2, 5, 0), (4, 3, 1)]
)
def test_three_samples_of_rest_and_two_of_the_rise_show_a_direction(before: int, during: int, direction: int) -> None:
    """The rest is from 9.0 to 9.7 s, the rise from 10 to 11 s; at their very ends other currents flow."""
    rest, rise = np.linspace(9.05, 9.65, before), np.linspace(10.05, 10.95, during)
    at = np.concatenate(([8.5, 9.0], rest, [9.7, 9.9, 10.0], rise, [11.0, 11.5]))
    amps = np.where(np.isin(at, rest), 2.0, np.where(np.isin(at, rise), 20.0, np.where(at < 10.5, 90.0, -50.0)))
    around = Surroundings((), {}, Rise(10.0, 11.0), "Inv.Link")
    assert pack_direction(logged("Pack.I", "A", amps, at, scale=0.1), amps, around) == direction
