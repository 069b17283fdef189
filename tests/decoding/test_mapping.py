"""A part out of its signal: units converted, turned and shifted, and how its values lie in the message.

Oracle: the definitions of the units (°F = 9/5·°C + 32, 1 mph = 1.609344 km/h exactly, K = °C + 273.15; BIPM's SI
brochure and NIST SP 811), applied by hand to raw integers.
"""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from logscope.decoding.columns import Column
from logscope.decoding.matching import Service
from logscope.decoding.table import Table
from logscope.decoding.tables import _finished, _Growing
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.mapping import SignalBinding, part_of
from logscope.parts import PARTS, Conversion, convert
from logscope.signals import Part
from logscope.vehicle import Mapped, Vehicle

RAW = np.array([0, 1, 40, 100, 255])
# part, unit of the definition, how that becomes the part's unit
UNITS: dict[str, tuple[str, str, Callable[[np.ndarray], np.ndarray]]] = {
    "°C": ("motor_temperature", "°C", lambda x: x),
    "°F": ("motor_temperature", "degF", lambda x: (x - 32.0) / 1.8),
    "K": ("motor_temperature", "K", lambda x: x - 273.15),
    "mV": ("dc_link_voltage", "mV", lambda x: x / 1000.0),
    "kV": ("dc_link_voltage", "kV", lambda x: x * 1000.0),
    "mph": ("vehicle_speed", "mph", lambda x: x * 1.609344),
    "1/min": ("motor_speed", "1/min", lambda x: x),
}


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize(("scale", "offset"), [(1.0, 0.0), (0.5, -40.0), (2.0, 0.0)])
@pytest.mark.parametrize(("turned", "shifted"), [(1.0, 0.0), (-1.0, 0.0), (0.1, 5.0)])
def test_values_and_their_bits_go_through_definition_unit_and_vehicle_file_in_this_order(
    unit: str, scale: float, offset: float, turned: float, shifted: float
) -> None:
    name, logged_in, to_part = UNITS[unit]
    spec = SignalSpec("S", 0, 8, scale=scale, offset=offset, unit=logged_in)
    conversion = convert(logged_in, PARTS[name].unit)
    assert conversion is not None
    mapped = Mapped(signal="M.S", scale=turned, offset=shifted)
    binding = SignalBinding(PARTS[name], mapped, ("signals", name), None, "M", spec, conversion)
    in_definition = scale * RAW + offset
    expected = turned * to_part(in_definition) + shifted
    assert binding.values(in_definition) == pytest.approx(expected)
    encoding = binding.encoding
    assert encoding is not None
    assert encoding.value(RAW) == pytest.approx(expected)
    assert encoding.raw(expected).tolist() == RAW.tolist()


def played(part: str, spec: SignalSpec, logged: list[float], **mapped: object) -> Part:
    """The part that a signal plays, logged once a second."""
    message = MessageSpec("M", 0, extended=False, length=8, signals=(spec,))
    at = np.arange(len(logged), dtype=np.int64) * 1_000_000_000
    table = Table("M", "can0", message, 0, at, {spec.name: np.array(logged)}, {})
    conversion = convert(spec.unit, PARTS[part].unit) if spec.unit else Conversion(1.0, 0.0)
    assert conversion is not None
    how = Mapped.model_validate({"signal": f"M.{spec.name}"} | mapped)
    return part_of(Vehicle(), SignalBinding(PARTS[part], how, ("signals", part), None, "M", spec, conversion), table)


@pytest.mark.parametrize(
    ("scale", "unit", "turned", "step"),
    [
        (0.1, "V", 1.0, 0.1),
        (0.1, "V", 10.0, 1.0),
        (0.1, "V", -1.0, 0.1),
        (5.0, "mV", 1.0, 0.005),
        (5.0, "mV", -2.0, 0.01),
    ],
)
def test_the_resolution_goes_through_unit_and_scale_as_the_values_do(
    scale: float, unit: str, turned: float, step: float
) -> None:
    """Two neighbouring integers of the message lie one step of the part apart."""
    spec = SignalSpec("S", 0, 16, scale=scale, unit=unit)
    part = played("dc_link_voltage", spec, [scale * 7, scale * 8], scale=turned, offset=3.0)
    assert part.step == pytest.approx(step)
    assert abs(part.value[1] - part.value[0]) == pytest.approx(step)


def test_what_no_vehicle_reads_is_left_out_with_its_time() -> None:
    spec = SignalSpec("S", 0, 16, unit="V", floating=True)
    part = played("dc_link_voltage", spec, [300.0, np.nan, 1e16, -1e16, np.inf, 310.0])
    assert (part.time_s.tolist(), part.value.tolist()) == ([0.0, 5.0], [300.0, 310.0])
    assert part.step is None


@pytest.mark.parametrize(
    ("on", "expected"),
    [
        (None, [False, True, True]),
        ([2], [False, False, True]),
        (["Closed"], [False, True, False]),
        ([1, 2], [False, True, True]),
    ],
)
def test_a_state_is_on_at_the_values_and_texts_that_the_file_lists(
    on: list[object] | None, expected: list[bool]
) -> None:
    spec = SignalSpec("S", 0, 2, choices={0: "Open", 1: "Closed", 2: "Test"})
    part = played("main_contactor", spec, [0.0, 1.0, 2.0], **({} if on is None else {"on": on}))
    assert part.on is not None
    assert part.on.tolist() == expected


@pytest.mark.parametrize(
    ("mapped", "overcurrent", "healthy"),
    [
        ({}, [3.0], [0.0]),  # by its text
        ({"overcurrent": [1]}, [1.0], [0.0]),
        ({"overcurrent_bits": [1]}, [2.0, 3.0], [0.0]),  # 2 and 3 have bit 1
        ({"overcurrent_bits": [0], "overcurrent": [4]}, [1.0, 3.0, 4.0], [0.0]),
        ({"none": [4, "Ready"]}, [3.0], [1.0, 4.0]),
    ],
)
def test_a_fault_is_an_overcurrent_by_value_bit_or_text(
    mapped: dict[str, object], overcurrent: list[float], healthy: list[float]
) -> None:
    spec = SignalSpec("S", 0, 3, choices={1: "Ready", 3: "Over-current phase U"})
    part = played("fault", spec, [0.0, 1.0, 2.0, 3.0, 4.0], **mapped)
    assert part.overcurrent is not None
    assert part.healthy is not None
    assert part.value[part.overcurrent].tolist() == overcurrent
    assert part.value[part.healthy].tolist() == healthy


@pytest.mark.parametrize("stamps", [[0, 1, 2, 3, 4], [3, 1, 4, 0, 2]])
def test_values_and_what_is_absent_stay_with_their_stamps_in_whatever_order_they_came(stamps: list[int]) -> None:
    """By hand; integers of more than 53 bits have a 0 where a frame holds no value."""
    spec = SignalSpec("Big", 0, 64)
    service = SimpleNamespace(names=("Big", "Small"), bus="can0", spec=MessageSpec("M", 1, False, 8, (spec,)))
    values = np.array([10, 20, 0, 40, 50], np.uint64)
    big = Column(values, np.array([False, False, True, False, False]))
    small = Column(values.astype(float), None)
    growing = _Growing(cast(Service, service), 0, [], [])
    for part in (slice(0, 2), slice(2, 5)):  # two blocks
        growing.times.append(np.array(stamps, np.int64)[part])
        growing.blocks.append({"Big": big.where(np.arange(5)[part]), "Small": small.where(np.arange(5)[part])})  # type: ignore[arg-type]
    table = _finished(growing, "M", 0)
    order = np.argsort(stamps)
    assert table.time_ns.tolist() == [0, 1, 2, 3, 4]
    assert table.columns["Small"].tolist() == values[order].astype(float).tolist()
    found = table.floats("Big")
    expected = np.where(np.array([0, 0, 1, 0, 0], bool), np.nan, values.astype(float))[order]
    np.testing.assert_equal(found, expected)
