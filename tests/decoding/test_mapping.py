"""A part out of its signal: units converted, turned and shifted, and how its values lie in the message.

Oracle: the definitions of the units (°F = 9/5·°C + 32, 1 mph = 1.609344 km/h exactly, K = °C + 273.15; BIPM's SI
brochure and NIST SP 811), applied by hand to raw integers.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from logscope.definitions.spec import SignalSpec
from logscope.mapping import SignalBinding
from logscope.parts import PARTS, convert
from logscope.vehicle import Mapped

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
