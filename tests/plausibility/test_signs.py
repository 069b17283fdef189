"""Which reading is turned round, from ties that are products of readings: by trying every single one of them.

Oracle: the rule of signs. A turned reading makes each product that holds it negative, and no other.
"""

from __future__ import annotations

import pytest

from logscope.plausibility.signs import SignTie, turned

NETWORKS = {
    "pairs": ("ab", "bc", "cd"),
    "a chain with ends": ("a", "ab", "bc"),
    "three in one": ("abc", "a", "bd"),
    "two networks": ("ab", "bc", "xy", "y"),
    "a triangle": ("ab", "bc", "ca"),
}


def tie(of: str, positive: float) -> SignTie:
    return SignTie(frozenset(of), positive, of)


@pytest.mark.parametrize("name", NETWORKS)
def test_the_one_that_is_turned_is_blamed_with_those_alone_that_no_sound_product_clears(name: str) -> None:
    products = NETWORKS[name]
    for wrong in sorted(set("".join(products))):
        ties = [tie(of, 0.02 if wrong in of else 0.98) for of in products]
        (found,) = turned(ties)
        would_show_the_same = {
            other for other in set("".join(products)) if all((other in of) == (wrong in of) for of in products)
        }
        assert set(found.suspects) == would_show_the_same
        assert {each.fact for each in found.ties} == {of for of in products if wrong in of}


def test_a_product_of_two_that_are_both_sound_by_themselves_blames_neither() -> None:
    (found,) = turned([tie("ab", 0.0), tie("a", 1.0), tie("b", 1.0)])
    assert found.suspects == ()


@pytest.mark.parametrize(("positive", "broken"), [(0.0, True), (0.19, True), (0.21, False), (0.5, False), (1.0, False)])
def test_a_product_that_is_now_positive_now_negative_says_nothing(positive: float, broken: bool) -> None:
    """A magnitude, or a mixture: it neither blames nor clears (a fifth on either side is judgement)."""
    assert bool(turned([tie("ab", positive)])) is broken
    (found,) = turned([tie("ab", 0.0), tie("b", positive)])
    assert set(found.suspects) == ({"b"} if broken else {"a"} if positive > 0.8 else {"a", "b"})


def test_broken_products_that_share_no_reading_are_two_faults() -> None:
    found = turned([tie("ab", 0.0), tie("xy", 0.0), tie("b", 1.0), tie("x", 1.0)])
    assert sorted(each.suspects for each in found) == [("a",), ("y",)]
    joined = turned([tie("ab", 0.0), tie("cd", 0.0), tie("bc", 0.0)])
    assert len(joined) == 1
