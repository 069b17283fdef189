"""Heating of one body against textbooks and IEC 60034-1."""

from __future__ import annotations

from math import exp, inf, log

import pytest

from logscope.physics.heating import rise_after, seconds_to, stream_litres_per_min


def test_a_textbook_motor_on_test():
    # 25 K after one hour, 37.5 K after two: θ∞ = 50 K and τ = 1/ln 2 h, the classical exercise of any textbook on
    # electrical machines (figures from memory)
    constant_s = 3600.0 / log(2.0)
    assert rise_after(3600.0, 50.0, constant_s) == pytest.approx(25.0)
    assert rise_after(7200.0, 50.0, constant_s) == pytest.approx(37.5)


@pytest.mark.parametrize(("letter", "rise_K"), [("B", 80.0), ("F", 105.0), ("H", 125.0)])
def test_windings_of_iec_60034_1(letter, rise_K):
    # IEC 60034-1: rises of 80, 105 and 125 K by resistance above a coolant of 40 °C; 63.2 % of it after τ
    end_C = 40.0 + rise_K
    assert 40.0 + rise_after(600.0, rise_K, 600.0) == pytest.approx(40.0 + (1.0 - exp(-1.0)) * rise_K)
    assert seconds_to(end_C, 40.0, end_C, 600.0) == inf
    # overloaded by a tenth in current, copper ends 21 % hotter and meets its class after ln(1.21/0.21) τ
    assert seconds_to(end_C, 40.0, 40.0 + 1.21 * rise_K, 600.0) == pytest.approx(600.0 * log(1.21 / 0.21))


def test_no_time_is_left_beyond_a_limit():
    assert seconds_to(85.0, 90.0, 120.0, 45.0) == 0.0


def test_water_that_a_textbook_heats_in_a_tube():
    """Y. A. Çengel, Heat Transfer, “Heating water in a tube by steam”, from memory: 0.3 kg/s from 15 to 115 °C.

    The heat is 125.6 kW with c = 4.187 kJ/(kg·K); in litres of 1 kg.
    """
    assert stream_litres_per_min(125.6e3 / 100.0, 4187.0) == pytest.approx(0.3 * 60.0, rel=1e-3)
