"""Preferred values against the standard's tables and published selections."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logscope.sizing.series import Series, at_least, at_most, decade, next_above, next_below


def test_decades_have_as_many_values_as_their_names_say() -> None:
    for series in Series:
        assert len(decade(series)) == len(set(decade(series))) == int(series[1:])


def test_e24_leaves_its_formula_at_eight_places() -> None:
    """IEC 60063:2015: 2.7 3.0 3.3 3.6 3.9 4.3 4.7 are 0.1 above 10^(k/24), 8.2 is 0.1 below."""
    odd = [value for k, value in enumerate(decade(Series.E24)) if value != round(10 ** (k / 24), 1)]
    assert odd == [2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 8.2]


def test_e12_is_the_series_of_every_colour_code_table() -> None:
    assert decade(Series.E12) == (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


def test_published_selections() -> None:
    """Documentation of the library eseries: least E96 at 184 is 187; about 5000 in E24: 4700, 5100, 5600.

    KiCad's help: 16 834.2 ohm becomes 16.9 kohm in E96.
    """
    assert at_least(184.0, Series.E96) == 187.0
    assert (at_most(5000.0, Series.E24), at_least(5000.0, Series.E24)) == (4700.0, 5100.0)
    assert next_above(5100.0, Series.E24) == 5600.0
    assert at_least(16_834.2, Series.E96) == 16_900.0


def test_fifty_ohm_is_in_no_series() -> None:
    """So a design that calls for 50 ohm, as TI TIDUF73 does, gets 47 in E24 and 49.9 in E96."""
    assert at_most(50.0, Series.E24) == 47.0
    assert at_most(50.0, Series.E96) == 49.9
    assert at_least(50.0, Series.E24) == 51.0


@given(ohm=st.floats(1e-3, 1e7), series=st.sampled_from(list(Series)))
def test_neighbours_enclose_a_value(ohm: float, series: Series) -> None:
    below, above = at_most(ohm, series), at_least(ohm, series)
    assert below <= ohm * (1 + 1e-8)
    assert above >= ohm * (1 - 1e-8)
    assert next_below(above, series) <= below
    assert next_above(below, series) >= above
    assert next_above(next_below(above, series), series) == above


@given(k=st.integers(-2, 5), place=st.integers(0, 95))
def test_a_value_of_the_series_is_its_own_choice(k: int, place: int) -> None:
    value = float(f"{decade(Series.E96)[place]:.2f}e{k}")
    assert at_most(value, Series.E96) == at_least(value, Series.E96) == value
