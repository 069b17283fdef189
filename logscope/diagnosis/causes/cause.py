"""A cause: how often it is at work and then shows each sign, the test that decides, and what to do.

Probabilities are common practice of commissioning, no published source, in coarse steps (see `diagnosis`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from logscope.diagnosis.network import Node

# How often a cause is at work in a log in which something is wrong.
COMMON, USUAL = 0.04, 0.02
# How often a cause that is at work shows a sign where that was looked for.
ALWAYS, MOSTLY, OFTEN, SOMETIMES, SELDOM = 0.97, 0.8, 0.5, 0.2, 0.05


@dataclass(frozen=True, slots=True)
class Cause:
    """One origin of findings.

    name : in the JSON; title : in words; node : prior, and how often it shows each sign
    test : the one test that decides; actions : what keeps people safe first, then by cost and likelihood
    Either asks for hands near high voltage only with it off and proven dead, or of a person trained for it.
    """

    name: str
    title: str
    node: Node
    test: str
    actions: tuple[str, ...]


def cause(name: str, title: str, prior: float, shows: Mapping[str, float], test: str, *actions: str) -> Cause:
    """A row of the tables."""
    return Cause(name, title, Node(prior, shows), test, actions)


# Under which conditions hands may do what follows.
OFF = "Power off, isolated and proven dead:"
TWELVE_VOLTS = "High voltage isolated and proven dead, only the 12 V side on:"
WAIT = "Do not power up again until this is fixed."
