"""The outcome of a search: requests, events, series, texts, JSON and pages, on fields made by hand."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_logs import speed, stream, times
from made_search import AT, FIRST, STEP_S, field_of, hiss, search_of
from rich.console import Console

from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.errors import LogError, RequestError
from logscope.payload.checksums import PayloadChecksum
from logscope.payload.counters import Counter
from logscope.payload.fields import Field
from logscope.payload.segmentation import Segment, Segmentation, Sort
from logscope.seeking import follow, page, rank, search_log, show
from logscope.seeking.bit_planes import best_field
from logscope.seeking.candidates import Searched, _known_bits, candidates, states
from logscope.seeking.events import at_moments
from logscope.seeking.gather import Key, Stream
from logscope.seeking.hits import Found, Hit
from logscope.seeking.scene import scene_of

RAW = 10.0 + AT
FIELD = field_of(0, AT, RAW)


def hit(score: float = 0.9, rate: float = 0.01, number: int = 0, **more: Any) -> Hit:
    return Hit("motor_speed", field_of(number, AT, RAW), score, rate, **more)


GOOD = hit(scale=0.5, offset=-3.0, unit="rpm", scale_from="Fitted.", reasons=("r1", "r2"), moments=(5.0, float("nan")),
           scale_limits=(0.4, 0.6), offset_limits=(-4.0, -2.0))  # fmt: skip
COVERAGE: Any = None
CRC = PayloadChecksum(Field(39, 8, True), "crc-8", COVERAGE, "xor", (0,), None, 1.0)
DIVIDED = Segmentation(
    (Segment(Field(0, 16), Sort.NUMBER, True), Segment(Field(24, 4), Sort.COUNTER), Segment(Field(39, 8, True),
    Sort.CHECKSUM),
     Segment(Field(48, 1), Sort.FLAG, False, 2)),
    (Counter(Field(24, 4), 1, 0, 15, 0.99),), (CRC,), None,
)  # fmt: skip


def found(*hits: Hit, sought: str = "motor speed", **more: Any) -> Found:
    return Found(sought, hits, 12, 1, 59.95, {FIELD.key: DIVIDED}, **more)


@pytest.mark.parametrize(
    ("of", "text"),
    [
        (found(GOOD), "Sought motor speed in 12 fields of 1 identifier: one stands out, "
                      "can0 0x100, 16 bits from bit 0, low byte first."),
        (found(GOOD, hit(0.6)),
        "Sought motor speed in 12 fields of 1 identifier: 2 stand out, "
                                "most of all can0 0x100, 16 bits from bit 0, low byte first."),
        (found(hit(0.4)), "Sought motor speed in 12 fields of 1 identifier: nothing stands out. "
                          "No field reaches a likeness of 0.5 that fewer than 5 % of chance logs reach."),
        (found(GOOD, hit(0.1), sought=""), "Divided 12 fields of 1 identifier. Like a part of the drive system: 2."),
    ],
)  # fmt: skip
def test_what_was_found_in_a_sentence(of: Found, text: str) -> None:
    assert show.headline(of) == text


@pytest.mark.parametrize(
    ("rate", "text"), [(1.0, "100 %"), (0.1, "10 %"), (0.0996, "10 %"), (0.0333, "3.3 %"), (0.005, "0.5 %")]
)
def test_a_rate_in_per_cent(rate: float, text: str) -> None:
    assert show.rate_text(hit(rate=rate)) == text


def test_the_json_of_a_search_holds_each_field_in_its_place() -> None:
    made = json.loads(show.to_json(found(GOOD, notes=("n",))))
    assert (made["schema"], made["sought"], made["fields"], made["identifiers"], made["notes"]) == (
        1,
        "motor speed",
        12,
        1,
        ["n"],
    )
    (one,) = made["hits"]
    dbc = one.pop("dbc")
    assert dbc.startswith("SG_ MotorSpeed : 0|16@1+ (0.5,-3) ")
    assert one == {
        "part": "motor_speed", "bus": "can0", "identifier": 0x100, "extended": False, "start": 0, "bits": 16,
        "big_endian": False, "signed": False, "selected_by": None, "score": 0.9, "false_positive_rate": 0.01,
        "stands_out": True, "scale": 0.5, "offset": -3.0, "unit": "rpm", "scale_limits": [0.4, 0.6],
        "offset_limits": [-4.0, -2.0], "scale_from": "Fitted.", "reasons": ["r1", "r2"],
    }  # fmt: skip
    (each,) = made["identified"]
    assert each == {
        "bus": "can0", "identifier": 0x100, "extended": False, "length": 8,
        "counters": [{"start": 24, "bits": 4, "step": 1, "low": 0, "high": 15}],
        "checksums": [{"start": 39, "bits": 8, "algorithm": "crc-8", "by_counter": False}],
        "fields": [
            {"start": 0, "bits": 16, "big_endian": False, "signed": True, "sort": "number", "selected_by": None},
            {"start": 24, "bits": 4, "big_endian": False, "signed": False, "sort": "counter", "selected_by": None},
            {"start": 39, "bits": 8, "big_endian": True, "signed": False, "sort": "checksum", "selected_by": None},
            {"start": 48, "bits": 1, "big_endian": False, "signed": False, "sort": "flag", "selected_by": 2},
        ],
    }  # fmt: skip
    assert json.loads(show.to_json(found(hit(), sought="")))["sought"] is None


def printed(of: Found) -> list[str]:
    console = Console(file=io.StringIO(), width=200)
    show.print_found(of, console)
    return [" ".join(line.split()) for line in console.file.getvalue().splitlines() if line.strip()]  # type: ignore[attr-defined]


def test_a_search_on_the_terminal() -> None:
    lines = printed(found(GOOD, hit(0.4, 0.5), notes=("a note",)))
    assert lines[1] == "a note"
    assert lines[2] == "field like chance seen"
    assert lines[4:6] == ["1 can0 0x100 0|16@1+ 0.90 1 % r1; r2", "2 can0 0x100 0|16@1+ 0.40 50 %"]
    assert lines[6] == show.NOTATION
    assert lines[7].endswith("(can0 0x100) Fitted.")
    assert len(lines) == 8
    divided = printed(found(GOOD, sought=""))
    assert divided[3] == "1 can0 0x100 0|16@1+ 0.90 1 % motor_speed: r1; r2"
    assert divided[5] == "can0 0x100 [8]: 0|16@1-, 24|4@1+ counter, 39|8@0+ crc-8, 48|1@1+ m2"
    assert sum(" 0.90 " in line for line in printed(found(*[hit()] * 12))) == 10


def test_the_chart_of_a_hit_shows_its_values_over_the_whole_log() -> None:
    drawn = page.hit_chart(GOOD, 80.0)
    (trace,) = [each for each in drawn.figure["data"] if len(each["x"]) > 2]
    assert (trace["x"][0], trace["y"][0], trace["y"][-1]) == (0.0, 2.0, pytest.approx(0.5 * 70 - 3, abs=0.1))
    assert drawn.window == (0.0, 80.0)
    assert [each["x0"] for each in drawn.figure["layout"]["shapes"]] == [5.0]  # a moment that is none is not drawn
    assert drawn.summary == "Chart of can0 0x100, 16 bits from bit 0, low byte first over 80 s, 0.90 like motor speed."
    assert "raw value" not in drawn.keys[0].label
    bare = page.hit_chart(hit(), 10.0)
    assert "Like motor speed, raw value" in bare.keys[0].label
    assert bare.window == (0.0, pytest.approx(59.95))  # as far as its samples
    assert "raw value" not in page.hit_chart(hit(offset=1.0), 10.0).keys[0].label


def test_hits_that_stand_out_are_drawn_else_the_best() -> None:
    weak, strong = [hit(0.4 - 0.01 * n) for n in range(5)], [hit(0.9 - 0.01 * n) for n in range(10)]
    assert page.drawn(found(*strong, *weak)) == tuple(strong[:8])
    assert page.drawn(found(*weak)) == tuple(weak[:3])
    text = page.found_to_html(found(GOOD, notes=("a note",)))
    assert "a note" in text
    assert "0.90" in text
    assert "r1; r2" in text


@pytest.mark.parametrize(
    ("request_for", "refusal"),
    [
        (("motor_speed", "", ()), ""), (("", "", ()), ""), (("", "x", ()), ""), (("", "", (1.0,)), ""),
        (("motor_speed", "x", ()), "three searches"), (("", "x", (1.0,)), "three searches"),
        (("motor_sped", "", ()), "“motor_sped” is not a known part.*[^s]motor_speed"),
        (("qqqq", "", ()), "Possible: dc_link"),
        (("charge_lock", "", ()), "not known well enough"),
    ],
)  # fmt: skip
def test_a_search_that_cannot_be_made_is_refused(request_for: tuple[str, str, tuple[float, ...]], refusal: str) -> None:
    if not refusal:
        search_log.refuse(*request_for)
        return
    with pytest.raises(RequestError, match=refusal):
        search_log.refuse(*request_for)


@pytest.mark.parametrize(
    ("text", "parts"),
    [("a.csv:speed", ("a.csv", "speed")), ("C:/x/a.TXT:b c", ("C:/x/a.TXT", "b c")), ("a.csv", None), ("a.csv:", None),
     (":speed", None), ("a.log:speed", None), ("C:/a.csv", None)],
)  # fmt: skip
def test_a_series_is_a_file_and_a_column(text: str, parts: tuple[str, str] | None) -> None:
    if parts is None:
        with pytest.raises(RequestError):
            search_log._file_and_column(text)
        return
    assert search_log._file_and_column(text) == (Path(parts[0]), parts[1])


@pytest.fixture
def replaced(monkeypatch: pytest.MonkeyPatch) -> dict[str, tuple[Any, ...]]:
    """The searches behind `search_log` replaced; what each of them got."""
    asked: dict[str, tuple[Any, ...]] = {}

    def gives(name: str, answer: Any) -> None:
        monkeypatch.setattr(search_log, name, lambda *of: asked.__setitem__(name, of) or answer)

    gives("candidates", Searched((FIELD, FIELD), {FIELD.key: DIVIDED}))
    gives("ranked", ([hit(1 - 0.01 * n) for n in range(25)], ["a note"]))
    gives("following", [GOOD])
    gives("read_series", "series")
    gives("at_moments", [GOOD, GOOD])
    gives("resemblances", {3: hit(number=3), 1: hit(number=1)})
    return asked


STREAMS = {
    FIELD.key: FIELD.stream,
    Key("can0", 1, False, 8): Stream(Key("can0", 1, False, 8), AT[:5], FIELD.stream.rows[:5]),
}


def test_each_wish_is_searched_in_its_way(replaced: dict[str, tuple[Any, ...]]) -> None:
    like = search_log.search_log(STREAMS, "definitions", like="motor_speed")  # type: ignore[arg-type]
    assert (like.sought, len(like.hits), like.notes, like.fields, like.identifiers) == (
        "motor speed",
        20,
        ("a note",),
        2,
        2,
    )
    assert (like.duration_s, like.segmentations) == (pytest.approx(59.95), {FIELD.key: DIVIDED})
    assert replaced["candidates"] == (STREAMS, "definitions")
    search, part = replaced["ranked"]
    assert (part, search.start_s, search.end_s, search.known) == ("motor_speed", 0.0, pytest.approx(59.95), {})
    followed = search_log.search_log(STREAMS, known={"torque": "x"}, like_log="x/a.csv:speed")  # type: ignore[dict-item]
    assert (followed.sought, followed.hits) == ("speed of a.csv", (GOOD,))
    assert replaced["following"][0].known == {"torque": "x"}
    assert replaced["following"][1:] == ("speed", "series")
    assert replaced["read_series"] == (Path("x/a.csv"), "speed")
    moved = search_log.search_log(STREAMS, at=(0.0, 12.5), within_s=0.3)
    assert (moved.sought, len(moved.hits)) == ("changes at 0 s, 12.5 s", 2)
    assert replaced["at_moments"][1:] == ((0.0, 12.5), 0.3)
    every = search_log.search_log(STREAMS)
    assert (every.sought, [each.candidate.key.identifier - FIRST for each in every.hits]) == ("", [1, 3])
    for outside in (-0.1, 59.96):
        with pytest.raises(RequestError, match=r"the log is 60\.0 s long, without a moment at"):
            search_log.search_log(STREAMS, at=(1.0, outside))
    with pytest.raises(LogError, match="no CAN frame"):
        search_log.search_log({})


def test_each_field_has_the_part_that_it_resembles_most(monkeypatch: pytest.MonkeyPatch) -> None:
    search = search_of([RAW, RAW + 5], STEP_S, flags=[AT > 5])
    one, two = search.numbers
    (flag,) = search.flags
    by_part = {
        "torque": [replace(hit(0.6), candidate=one), replace(hit(0.4), candidate=two)],
        "motor_speed": [replace(hit(0.8), candidate=one), replace(hit(0.95, 0.2), candidate=two)],
        "main_contactor": [replace(hit(0.7), candidate=flag), hit(1.0)],
    }
    monkeypatch.setattr(rank, "SOUGHT", tuple(by_part))
    monkeypatch.setattr(rank, "ranked", lambda of, part: (by_part[part], []))
    alike = rank.resemblances(search)
    assert {place: each.score for place, each in alike.items()} == {0: 0.8, 2: 0.7}


def test_events_are_fields_that_change_at_the_moments_and_nowhere_else() -> None:
    mode = np.searchsorted([12.0, 20.0, 44.0], AT).astype(float)
    busy = np.searchsorted(np.arange(2.0, 60.0, 3.0), AT).astype(float)
    search = search_of([busy, mode, np.full(AT.size, 7.0)], STEP_S, flags=[AT > 12.0])
    hits = at_moments(search, (44.2, 12.2, 20.2), 0.5)
    first = hits[0]
    assert (first.candidate.key.identifier, first.score, first.part) == (FIRST + 1, pytest.approx(1.0), "event")
    assert first.moments == pytest.approx((12.05, 20.05, 44.05), abs=0.051)
    assert first.reasons == ("3 of its 3 changes within 0.5 s of the moments",)
    assert first.scale_from == "Raw value."
    # half a second to either side of three moments of a minute: none of two hundred other times fits all of them
    assert first.false_positive_rate < 0.05
    flag = next(each for each in hits if each.candidate.field.bits == 1)
    assert flag.score == pytest.approx(1 / 3)  # a third of the moments
    other = next((each for each in hits if each.candidate.key.identifier == FIRST), None)
    assert other is None or other.score < 0.2
    assert all(each.candidate.key.identifier != FIRST + 2 for each in hits)


def test_of_equal_fields_the_shortest_comes_first_and_twenty_moments_are_listed() -> None:
    often = np.searchsorted(np.arange(1.0, 59.0, 2.0), AT).astype(float)
    search = search_of([often], STEP_S, flags=[often % 2 == 1])
    hits = at_moments(search, np.arange(1.0, 59.0, 2.0).tolist(), 0.2)
    assert [each.candidate.field.bits for each in hits] == [1, 16]
    assert len(hits[0].moments) == 20
    assert hits[0].reasons == ("29 of its 29 changes within 0.2 s of the moments",)


@pytest.mark.parametrize("offset_s", [0.0, 7.0, -4.0])
def test_a_series_is_followed_with_its_scale_and_clock(offset_s: float) -> None:
    at = 0.02 * np.arange(2500)  # as fine as the grid of a log of 50 s
    wander = np.cumsum(np.random.default_rng(5).normal(0, 3, at.size)) + 2000
    search = search_of([np.resize(hiss(), at.size), wander], 0.02)
    searched = replace(
        search.searched, segmentations={each.key: Segmentation((), (), (), None) for each in search.numbers}
    )
    object.__setattr__(search, "searched", searched)
    inside = (at > 10) & (at < 40)
    series = at[inside] - offset_s, 0.25 * np.round(wander[inside]) - 3.0
    hits = follow.following(search, "speed", series)
    first = hits[0]
    assert first.candidate.key.identifier == FIRST + 1
    assert first.score > 0.999
    assert (first.scale, first.offset) == (pytest.approx(0.25, rel=1e-3), pytest.approx(-3.0, abs=0.5))
    assert first.scale_limits is not None
    assert first.scale_limits[0] <= 0.25 + 1e-9
    assert first.reasons == (f"correlation {first.score:.3f}, {offset_s:+.2f} s between the clocks",)
    assert first.false_positive_rate == pytest.approx(1 / 61)  # none of sixty surrogates
    assert first.scale_from.startswith("Fitted to speed by a straight line")
    assert (first.part, first.unit) == ("speed", "")


@pytest.mark.parametrize(
    ("page_of", "count", "own_bits", "bits"),
    [(None, 400, 8, 12), (2, 400, 8, 8), (None, 19, 8, 8), (None, 400, 12, 12)],
)
def test_a_field_that_follows_is_extended_to_the_bits_that_follow_better(
    page_of: int | None, count: int, own_bits: int, bits: int
) -> None:
    at = STEP_S * np.arange(count)
    raw = np.int64(2048 + 2000 * np.sin(at / 3.0))
    rows = raw.astype("<i8").view(np.uint8).reshape(-1, 8).copy()
    key = Key("can0", 0x10, False, 8)
    candidate = replace(
        FIELD, stream=Stream(key, at, rows), segment=Segment(Field(0, own_bits), Sort.NUMBER, False, page_of)
    )
    search: Any = type("S", (), {"searched": Searched((candidate,), {key: Segmentation((), (), (), None)})})()
    found_one, score = follow._refined(search, candidate, (at, raw.astype(float)), 0.3)
    assert found_one.field.bits == bits
    assert score == pytest.approx(1.0 if bits > own_bits else 0.3, abs=1e-3)


@pytest.mark.parametrize(
    ("row", "at", "value"),
    [
        (["1,5", "2"], 0, 1.5),
        (["1.5"], 0, 1.5),
        (["x"], 0, None),
        ([], 0, None),
        (["1"], 1, None),
        (["-3e2"], 0, -300.0),
    ],
)
def test_a_number_is_read_with_either_mark(row: list[str], at: int, value: float | None) -> None:
    found_one = follow._number(row, at)
    assert (found_one == value) if value is not None else np.isnan(found_one)


def test_twenty_frames_show_behaviour_and_definitions_leave_bits_out() -> None:
    at = times(0.05)
    made = stream(0x210, 0.05, (Field(0, 16), speed(at) * 10), (Field(24, 8), np.arange(at.size) // 40))
    short = {n: Stream(Key("can0", n, False, 8), made.time_s[:n], made.rows[300 : 300 + n]) for n in (19, 20)}
    assert {each.identifier for each in candidates({s.key: s for s in short.values()}).segmentations} == {20}
    streams = {made.key: made}
    assert any(each.field.positions()[0] < 16 for each in candidates(streams).candidates)
    spec = MessageSpec("M", 0x210, False, 8, (SignalSpec("A", 0, 16),))
    for bus, left in (("can0", False), (None, False), ("can1", True)):
        kept = candidates(streams, [(bus, [spec])]).candidates
        assert any(each.field.positions()[0] < 16 for each in kept) is left
        assert any(each.field.positions()[0] >= 24 for each in kept)
    twice = [(None, [spec]), (None, [MessageSpec("N", 0x210, False, 8, (SignalSpec("B", 16, 4),))])]
    assert list(_known_bits(twice).values()) == [0xFFFFF]


@pytest.mark.parametrize(("bits", "count"), [(1, 1), (2, 2), (8, 8), (9, 0)])
def test_a_short_field_may_be_several_states(bits: int, count: int) -> None:
    found_ones = states(field_of(0, AT, RAW, bits))
    assert [each.field.positions() for each in found_ones] == [(n,) for n in range(count)]
    assert all(each.field.bits == 1 for each in found_ones)


def test_a_field_of_two_bits_has_no_sign_and_one_that_never_moves_follows_nothing() -> None:
    rng = np.random.default_rng(2)
    rows = rng.integers(0, 4, (400, 1), dtype=np.uint8)
    signed = np.where(rows[:, 0] >= 2, rows[:, 0] - 4.0, rows[:, 0])
    two = best_field(rows, signed)
    assert two is not None
    assert not two[1]
    three = best_field(rng.integers(0, 8, (400, 1), dtype=np.uint8), np.arange(400.0))
    assert three is not None
    assert three[2] < 0.05
    assert best_field(rows, np.full(400, 3.0)) is None


def test_a_further_bit_must_bring_more_than_noise_does() -> None:
    """Eight bits of a ramp, and above them a bit that flips by chance: it is left out."""
    rng = np.random.default_rng(7)
    ramp = np.arange(4096) % 256
    rows = np.stack([ramp, rng.integers(0, 2, 4096)], axis=1).astype(np.uint8)
    found_one = best_field(rows, ramp.astype(float))
    assert found_one is not None
    assert (found_one[0].bits, found_one[2]) == (8, pytest.approx(1.0))


def test_fields_and_known_parts_stand_on_one_grid() -> None:
    fields = [field_of(0, np.array([1.0, 2.0]), np.array([5.0, 6.0]))]
    known = {"torque": (np.array([1.5]), np.array([7.0])), "throttle": (np.zeros(0), np.zeros(0))}
    made = scene_of(fields, known, np.array([0.5, 1.0, 1.75, 2.0]))
    assert made.rows.tolist() == [[5.0, 5.0, 5.0, 6.0]]
    assert {part: values.tolist() for part, values in made.known.items()} == {"torque": [7.0] * 4}
    assert made.step_s == 0.5


def test_definitions_are_of_what_stands_out_or_of_what_is_asked_for() -> None:
    weak = hit(0.4, number=7)
    both = found(GOOD, weak)
    assert both.standing_out == (GOOD,)
    assert "BO_ 256 " in both.to_dbc()["can0"]
    assert "BO_ 263 " not in both.to_dbc()["can0"]
    assert "BO_ 263 " in both.to_dbc([weak])["can0"]
    assert found(weak).to_dbc() == {}
    assert GOOD.dbc_line.strip().startswith("SG_ MotorSpeed : 0|16@1+ (0.5,-3)")
