"""Single signals out of payload bytes. The oracle is cantools: a message that holds the one signal."""

import numpy as np
import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.decoding.bits import Payloads, layout_of, physical_values, raw_integers
from logscope.definitions.spec import SignalSpec

PAYLOAD_BYTES = st.sampled_from([1, 2, 5, 8, 12, 64])


@st.composite
def layouts(draw: st.DrawFn) -> tuple[SignalSpec, int]:
    """A signal anywhere in a payload, and the length of the payload that it is defined for."""
    length = draw(PAYLOAD_BYTES)
    floating = draw(st.booleans()) and length >= 2
    widths = [bits for bits in (16, 32, 64) if bits <= 8 * length]
    bits = draw(st.sampled_from(widths) if floating else st.integers(1, min(64, 8 * length)))
    first = draw(st.integers(0, 8 * length - bits))
    big_endian = draw(st.booleans())
    scale, offset = draw(st.sampled_from([(1.0, 0.0), (0.1, -40.0), (2.0, 5.0), (-0.0625, 1e3), (1.0, 1.0)]))
    spec = SignalSpec(
        name="S",
        start=8 * (first // 8) + 7 - first % 8 if big_endian else first,
        bits=bits,
        big_endian=big_endian,
        signed=draw(st.booleans()) and not floating,
        floating=floating,
        scale=scale,
        offset=offset,
    )
    return spec, length


def oracle(spec: SignalSpec, length: int) -> Message:
    conversion = BaseConversion.factory(spec.scale, spec.offset, None, spec.floating)
    signal = Signal(
        spec.name,
        spec.start,
        spec.bits,
        "big_endian" if spec.big_endian else "little_endian",
        spec.signed,
        conversion=conversion,
    )
    return Message(1, "M", length, [signal])


def one_payload(payload: bytes) -> Payloads:
    data = np.frombuffer(payload.ljust(64, b"\xaa"), dtype=np.uint8).copy().reshape(1, -1)
    return Payloads(data, np.array([len(payload)], dtype=np.uint8))


@settings(max_examples=400)
@given(layouts(), st.data())
def test_any_signal_reads_as_cantools_reads_it(layout: tuple[SignalSpec, int], data: st.DataObject) -> None:
    spec, length = layout
    payload = data.draw(st.binary(min_size=length, max_size=length))
    raw = oracle(spec, length).decode(payload, scaling=False)["S"]
    value = oracle(spec, length).decode(payload)["S"]
    ours, lost = physical_values(one_payload(payload), spec)
    assert lost == 0
    # 64-bit integers with whole scales are scaled exactly by cantools, and as doubles here.
    np.testing.assert_allclose(ours[0], float(value), rtol=4 * np.finfo(float).eps, atol=0)
    if abs(raw) < 2**53:
        assert ours[0] == float(raw) * spec.scale + spec.offset
    if not spec.floating:
        integers, _ = raw_integers(one_payload(payload), spec)
        assert (integers if spec.signed else integers.view(np.uint64))[0] == raw


@settings(max_examples=200)
@given(layouts(), st.data())
def test_a_short_payload_is_marked_exactly_where_cantools_drops_the_signal(
    layout: tuple[SignalSpec, int], data: st.DataObject
) -> None:
    spec, length = layout
    payload = data.draw(st.binary(max_size=length))
    there = "S" in oracle(spec, length).decode(payload, allow_truncated=True)
    values, lost = physical_values(one_payload(payload), spec)
    assert lost == (not there)
    if not there:
        assert np.isnan(values[0])
    assert spec.bytes_needed <= length


@pytest.mark.parametrize("bits", [16, 32, 64])
def test_infinite_and_undefined_floats_pass_through(bits: int) -> None:
    kind = {16: np.float16, 32: np.float32, 64: np.float64}[bits]
    for number in (np.inf, -np.inf, np.nan):
        payload = np.array([number], dtype=kind).tobytes()
        values, lost = physical_values(one_payload(payload), SignalSpec("S", 0, bits, floating=True))
        np.testing.assert_array_equal(values, [number])
        assert lost == 0


def test_a_big_endian_signal_walks_down_from_its_last_byte() -> None:
    assert layout_of(SignalSpec("S", start=7, bits=16, big_endian=True))[:4] == (1, -1, 2, 0)


@pytest.mark.parametrize(("bits", "floating"), [(0, False), (65, False), (24, True)])
def test_what_is_no_number_is_refused(bits: int, floating: bool) -> None:
    with pytest.raises(ValueError, match="signal S"):
        SignalSpec("S", 0, bits, floating=floating)
