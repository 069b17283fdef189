"""Parts in doubt are out of reach of every check, and which checks would have used them is known."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.signals import Encoding, MissingPart, Part, Signals

TIME_S = np.arange(10.0)


def part(name: str) -> Part:
    return Part(name, TIME_S, np.ones(10), "V", f"Made.{name}")


def two_parts() -> Signals:
    return Signals({name: part(name) for name in ("dc_link_voltage", "battery_voltage")}, 0.0, 9.0)


def test_a_part_in_doubt_cannot_be_had():
    signals = two_parts().without({"battery_voltage": "it reads a tenth"})
    assert "battery_voltage" not in signals
    assert signals.get("battery_voltage") is None
    with pytest.raises(MissingPart):
        signals["battery_voltage"]
    assert signals["dc_link_voltage"].name == "dc_link_voltage"


def test_what_was_asked_for_in_vain_is_known_once_and_only_for_parts_in_doubt():
    signals = two_parts().without({"battery_voltage": "it reads a tenth"})
    watched = signals.watched()
    watched.get("battery_voltage")
    watched.get("battery_voltage")
    watched.get("dc_link_voltage")
    watched.get("torque")
    assert watched.missed == ["battery_voltage"]
    assert signals.watched().missed == []


@pytest.mark.parametrize(("bits", "signed", "low", "high"), [(16, False, 0, 65535), (16, True, -32768, 32767)])
def test_an_encoding_gives_back_the_raw_values(bits, signed, low, high):
    encoding = Encoding(bits, signed, 0.1, -40.0)
    raw = np.array([low, -1 if signed else 1, 7, high])
    assert (encoding.lowest, encoding.highest) == (low, high)
    assert encoding.raw(encoding.value(raw)).tolist() == raw.tolist()


def test_raw_values_that_a_double_does_not_hold_are_refused():
    with pytest.raises(ValueError, match="64 bits"):
        Encoding(64, False, 1.0, 0.0).raw(np.ones(1))
