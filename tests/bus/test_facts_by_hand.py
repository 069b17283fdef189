"""The facts of a small log field by field, and the edges of a bit rate: counted and calculated by hand.

Bits of frames are those of can-utils' canframelen.c (compiled): 123#1122334455667788 has 112, 123# has 48.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from bus_frames import Frame, traffic_of
from made_facts import MS, bus, message

from logscope.bus import bit_rate
from logscope.bus.bit_rate import (
    USUAL_RATES,
    BitRate,
    Source,
    _fit,
    _inferred,
    _most_off,
    _resolution_ns,
    bit_rate_of,
    given_rate,
    rates_by_bus,
    refuse_unknown_buses,
)
from logscope.bus.facts import CounterFacts, Silence, Skip, Still, Traffic
from logscope.bus.record import BusRecord
from logscope.bus.senders import two_senders
from logscope.capture.frames import Flag
from logscope.errors import RequestError

FULL = bytes.fromhex("1122334455667788")


def test_a_message_has_every_fact() -> None:
    frames = [
        Frame(1.0, 0x123, FULL), Frame(1.1, 0x200, b"\1"), Frame(1.2, 0x123, FULL[:7] + b"\x89"),
        Frame(1.3, 0x123, b""),
        Frame(1.5, 0x123, FULL, Flag.TRANSMITTED), Frame(1.6, 0x123, b"", Flag.REMOTE, asked=4),
    ]  # fmt: skip
    (found,) = traffic_of(frames).buses
    one = found.messages[0]
    assert (one.bus, one.identifier, one.extended, one.fd) == ("can0", 0x123, False, False)
    assert (one.count, one.requests, one.sent, one.remotes) == (5, 0, 1, 1)
    assert (one.first_ns, one.last_ns, one.shortest, one.longest) == (1000 * MS, 1600 * MS, 0, 8)
    assert one.changing == (False,) * 7 + (True,)
    assert one.silences == (
        Silence(1000 * MS, 1200 * MS, 1), Silence(1200 * MS, 1300 * MS, 0), Silence(1300 * MS, 1500 * MS, 0),
        Silence(1500 * MS, 1600 * MS, 0),
    )  # fmt: skip
    assert one.stamps_ns.tolist() == [at * MS for at in (1000, 1200, 1300, 1500, 1600)]
    assert one.sizes.tolist() == [8, 8, 0, 8, 4]
    assert one.payloads[1].tobytes() == FULL[:7] + b"\x89"
    assert one.window.tolist() == [0] * 5
    assert (one.learnt_ns, one.counter, one.stills) == (0, None, ())
    assert (found.name, found.frames, found.remotes, found.requests, found.switched) == ("can0", 6, 1, 0, 0)
    assert (found.first_ns, found.last_ns, found.unlisted) == (1000 * MS, 1600 * MS, 0)
    assert [each.length_ns for each in found.silences] == [100 * MS, 100 * MS, 100 * MS, 200 * MS, 100 * MS]
    assert found.spacing_ns.tolist() == [100 * MS, 100 * MS, 100 * MS, 200 * MS, 100 * MS]
    assert found.spacing_bits[:, 0].tolist()[0] == 112
    assert found.spacing_bits[1:, 0].tolist() == found.spacing_bits[:-1, 1].tolist()
    assert found.spacing_bits[2, 1] == 48
    assert found.bits == int(found.spacing_bits[:, 1].sum()) + 112
    assert (found.busiest_bits, found.busiest_ns) == (found.bits, 1600 * MS)


def test_buses_and_identifiers_are_in_order() -> None:
    frames = [
        Frame(2.0, 0x20, b"", bus="b"), Frame(2.1, 0x10, b"", Flag.EXTENDED, "a"), Frame(2.2, 0x30, b"", 0, "a"),
        Frame(2.3, 0x05, b"", Flag.EXTENDED, "a"), Frame(2.4, 0x08, bytes(8), Flag.ERROR, "c"),
    ]  # fmt: skip
    traffic = traffic_of(frames)
    assert [each.name for each in traffic.buses] == ["a", "b", "c"]
    assert [(m.identifier, m.extended) for m in traffic.buses[0].messages] == [
        (0x30, False),
        (0x05, True),
        (0x10, True),
    ]
    assert (traffic.start_ns, traffic.end_ns) == (2000 * MS, 2400 * MS)
    assert (traffic.buses[2].frames, traffic.buses[2].errors.count) == (0, 1)
    assert traffic_of([]).buses == ()


def test_faster_bits_count_apart_and_show_no_spacing() -> None:
    frames = [Frame(0.001 * k, 0x123, FULL, Flag.FD | (Flag.BITRATE_SWITCH if k else 0)) for k in range(4)]
    (found,) = traffic_of(frames).buses
    assert (found.switched, found.messages[0].fd) == (3, True)
    assert found.fast_bits > 0
    assert found.spacing_ns.size == 0
    classic = traffic_of([Frame(0.001 * k, 0x123, FULL) for k in range(4)]).buses[0]
    assert (classic.fast_bits, classic.bits, classic.spacing_ns.tolist()) == (0, 4 * 112, [MS] * 3)


def counting(values: list[int], *, period_s: float = 0.01, still: tuple[int, int] = (0, 0)) -> Any:
    """A counter in the lower half of byte 0, its complement above it, and a value that varies in byte 1 but for a
    stretch."""
    rng = np.random.default_rng(7)
    content, frames = 0, []
    for k, value in enumerate(values):
        if not still[0] <= k < still[1]:
            content = (content + int(rng.integers(1, 200))) % 256
        frames.append(Frame(period_s * k, 0x100, bytes([value | 0xA0, content, 3])))
    (found,) = traffic_of(frames).buses
    return found.messages[0]


def test_a_counter_is_followed_from_where_it_was_learnt() -> None:
    """One value missing at row 150, two at row 300, one twice at row 400; and one missing among the first 128."""
    steps = np.ones(600, np.int64)
    steps[[150, 300]], steps[400], steps[50] = (2, 3), 0, 2
    values = (np.cumsum(steps) % 16).tolist()
    one = counting(values)
    assert one.counter == CounterFacts(
        0, 4, False, 16, 3, 4, 1,
        (
            Skip(490 * MS, 500 * MS, 1, -1, values[50]), Skip(1490 * MS, 1500 * MS, 1, 0, values[150]),
            Skip(2990 * MS, 3000 * MS, 2, 0, values[300]),
        ),
    )  # fmt: skip
    assert one.learnt_ns == 10 * MS
    assert one.content == (0xF0, 0, 0xFF)  # byte 1 varies with nearly each frame: as a checksum does


@pytest.mark.parametrize(("still", "frames"), [((200, 300), 99), ((0, 0), 0)])
def test_content_that_stands_still_is_kept_with_its_frames(still: tuple[int, int], frames: int) -> None:
    """The value varies with every second frame, so that it is no checksum."""
    rng = np.random.default_rng(7)
    content, made = 0, []
    for k in range(500):
        if k % 2 and not still[0] <= k < still[1]:
            content = (content + int(rng.integers(1, 200))) % 256
        made.append(Frame(0.01 * k, 0x100, bytes([k % 16, content, 3])))
    one = traffic_of(made).buses[0].messages[0]
    assert one.content == (0xF0, 0xFF, 0xFF)
    longest = max(one.stills, key=lambda each: each.frames)
    if frames:
        assert longest == Still(1990 * MS, 3000 * MS, 101)
    else:
        assert longest.frames == 1


# ----------------------------------------------------------------------------------------- the bit rate


@pytest.mark.parametrize(
    ("rate", "contradicted"),
    [
        (BitRate(500_000, Source.GIVEN, 500_000.0), False),
        (BitRate(500_000, Source.GIVEN, 500_001.0), True),
        (BitRate(500_000, Source.GIVEN, 0.0, 9, 476_000), False),  # 4.8 % off
        (BitRate(500_000, Source.GIVEN, 0.0, 9, 474_000), True),
        (BitRate(500_000, Source.GIVEN, 0.0, 9, 526_000), True),
        (BitRate(500_000, Source.INFERRED, 600_000.0), False),
        (BitRate(None, Source.UNKNOWN, 600_000.0), False),
    ],
)
def test_a_given_rate_is_contradicted_by_more_bits_or_another_spacing(rate: BitRate, contradicted: bool) -> None:
    assert rate.contradicted is contradicted


@pytest.mark.parametrize(
    ("found", "given", "busiest", "expected"),
    [
        ((250_000, 80), None, 10_000, BitRate(250_000, Source.INFERRED, 10_000.0, 80, 250_000)),
        ((250_000, 80), None, 250_001, BitRate(None, Source.UNKNOWN, 250_001.0)),  # more passed than that
        ((250_000, 80), 500_000, 10_000, BitRate(500_000, Source.GIVEN, 10_000.0, 80, 250_000)),
        ((250_000, 80), 500_000, 250_001, BitRate(500_000, Source.GIVEN, 250_001.0, 80, None)),
        ((None, 0), None, 10_000, BitRate(None, Source.UNKNOWN, 10_000.0)),
        ((None, 0), 125_000, 10_000, BitRate(125_000, Source.GIVEN, 10_000.0, 0, None)),
    ],
)
def test_a_rate_is_given_inferred_or_unknown(
    monkeypatch: pytest.MonkeyPatch, found: tuple[int | None, int], given: int | None, busiest: int, expected: BitRate
) -> None:
    monkeypatch.setattr(bit_rate, "_inferred", lambda ns, bits: found)
    assert bit_rate_of(bus([], busiest_bits=busiest, busiest_ns=5_000 * MS), given) == expected


def test_rates_that_are_given_now_go_before_those_of_the_vehicle_file() -> None:
    stated: dict[str | None, int] = {"can0": 1, None: 2}
    assert rates_by_bus(stated, None) == stated
    assert rates_by_bus(stated, 5) == {None: 5}
    assert rates_by_bus(stated, {"can1": 5}) == {"can0": 1, None: 2, "can1": 5}
    assert rates_by_bus(stated, {None: 5, "can1": 6}) == {None: 5, "can1": 6}
    assert [given_rate(name, stated) for name in ("can0", "can1")] == [1, 2]
    assert given_rate("can1", {"can0": 1}) is None
    traffic = Traffic((bus([]),), 0, 0)
    refuse_unknown_buses({"can0": 5, None: 6}, traffic)
    refuse_unknown_buses(5, traffic)
    with pytest.raises(RequestError, match=r"bus “can7”, which the log does not have.* Its buses are: can0\."):
        refuse_unknown_buses({"can7": 5}, traffic)
    assert BusRecord(traffic, bit_rates={"can0": 9}).rate(bus([])).value == 9


def test_a_rate_may_be_off_by_half_the_way_to_the_next() -> None:
    """From 95.2 to 100 kbit/s are 5 %, of which half; elsewhere a twentieth."""
    assert _most_off(95_238) == pytest.approx((100_000 / 95_238 - 1) / 2)
    assert _most_off(100_000) == pytest.approx((1 - 95_238 / 100_000) / 2)
    assert _most_off(500_000) == 0.05
    assert {_most_off(rate) for rate in USUAL_RATES} <= {0.05, _most_off(95_238), _most_off(100_000)}


@pytest.mark.parametrize(
    ("spacing_ns", "step_ns"),
    [
        (np.arange(100) * 1_000_000, 1e6), (np.arange(100) * 500_000, 5e5), (np.arange(100) * 100_000, 1e5),
        (np.arange(100) * 50_000, 5e4), (np.arange(100) * 10_000, 1e4), (np.arange(1, 100) * 1_000 * 7, 1e3),
        (np.arange(1, 100) * 700, 100.0), (np.random.default_rng(3).integers(1, 10**9, 100), 1.0),
        (np.arange(100) * 1_000_000 + np.where(np.arange(100) < 4, 300_123, 20_000), 1e6),  # a fiftieth of the step off
        (np.arange(100) * 1_000_000 + np.where(np.arange(100) < 4, 300_123, 20_001), 1e4),
        (np.arange(100) * 1_000_000 + np.where(np.arange(100) < 5, 300_123, 0), 1e5),  # 95 of a hundred
        (np.arange(100) * 1_000_000 + np.where(np.arange(100) < 4, 300_123, -20_000), 1e6),
    ],
)  # fmt: skip
def test_stamps_lie_on_the_coarsest_grid_that_nearly_all_keep(spacing_ns: np.ndarray, step_ns: float) -> None:
    assert _resolution_ns(spacing_ns.astype(np.int64)) == step_ns


def test_a_fit_is_the_mixture_that_it_says() -> None:
    """Frames without a pause scatter normally: their mean log-density is that of scipy's normal and the share."""
    from scipy import stats

    rng = np.random.default_rng(5)
    close = rng.normal(200e-6, 2e-6, 2000)
    likelihood, share = _fit(close, np.full(2000, 600e-6), np.full(2000, 200e-6), 2e-6)
    assert share > 0.99
    expected = np.sum(np.log(0.98 * stats.norm.pdf(close, 200e-6, 2e-6) + 0.02 / close.max()))
    assert likelihood == pytest.approx(expected, rel=1e-3)
    _, idle = _fit(rng.uniform(210e-6, 600e-6, 2000), np.full(2000, 600e-6), np.full(2000, 200e-6), 2e-6)
    assert idle < 0.02
    both = np.concatenate((close[:1000], rng.uniform(210e-6, 600e-6, 1000)))
    assert _fit(both, np.full(2000, 600e-6), np.full(2000, 200e-6), 2e-6)[1] == pytest.approx(0.5, abs=0.02)


def spaced(close: int, idle: int, rate: int = 250_000, scatter_ns: float = 300.0) -> tuple[np.ndarray, np.ndarray]:
    """So many frames of 100 to 130 bits without a pause, and so many with one of up to two frames."""
    rng = np.random.default_rng(9)
    bits = rng.integers(100, 131, close + idle)
    pause = np.concatenate((np.zeros(close), rng.uniform(0.2, 1.9, idle)))
    spacing = bits * 1e9 / rate * (1 + pause) + rng.normal(0, scatter_ns, close + idle)
    other = rng.integers(100, 131, close + idle)
    return spacing.astype(np.int64), np.stack([other, bits], axis=1)


@pytest.mark.parametrize(
    ("close", "idle", "scatter_ns", "found"),
    [(60, 60, 300.0, True), (60, 39, 300.0, False), (22, 100, 300.0, False), (200, 200, 300_000.0, False)],
)
def test_a_rate_needs_a_hundred_spacings_and_25_frames_without_a_pause(
    close: int, idle: int, scatter_ns: float, found: bool
) -> None:
    rate, count = _inferred(*spaced(close, idle, scatter_ns=scatter_ns))
    assert (rate == 250_000) is found
    assert count == pytest.approx(close if found else 0, abs=6)
    assert _inferred(np.zeros(200, np.int64), np.full((200, 2), 111)) == (None, 0)


# --------------------------------------------------------------------------------------- two senders


def two(ppm: float, count: int = 2000, part: float = 0.2, scatter: float = 1e-4) -> Any:
    """Frames of two clocks, every 20 ms each, the second by this share of the period after the first."""
    rng = np.random.default_rng(11)
    first = np.arange(count) * 0.02
    second = np.arange(count) * 0.02 * (1 + ppm * 1e-6) + part * 0.02
    stamps = np.sort(np.concatenate((first, second))) + rng.normal(0, scatter * 0.02, 2 * count)
    return message(stamps_ns=np.round(stamps * 1e9).astype(np.int64), payloads=np.arange(2 * count)[:, None] % 251)


@pytest.mark.parametrize(
    ("facts", "found"),
    [
        ({"ppm": 40.0}, True), ({"ppm": -40.0}, True), ({"ppm": 0.0}, False),
        ({"ppm": 900.0, "count": 400}, True),
        ({"ppm": 1200.0, "count": 400}, False),  # faster than any resonator drifts
        ({"ppm": 40.0, "count": 90}, False),  # five parts of 32 frames
        ({"ppm": 1.5, "count": 20_000, "scatter": 1e-5}, False),
        ({"ppm": 3.0, "count": 20_000, "scatter": 1e-5}, True),
        ({"ppm": 0.0, "part": 0.5}, False),
    ],
)  # fmt: skip
def test_two_clocks_drift_as_crystals_do(facts: dict[str, Any], found: bool) -> None:
    senders = two_senders(two(**facts))
    assert (senders is not None) is found
    if senders is not None:
        assert senders.period_s == pytest.approx(0.02, rel=1e-3)
        assert senders.drift_ppm == pytest.approx(abs(facts["ppm"]), rel=0.05)
        assert senders.low_ppm < senders.drift_ppm < senders.high_ppm
        assert not senders.copies
