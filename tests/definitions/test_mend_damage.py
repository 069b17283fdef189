"""Random damage to a sound DBC file: what was not touched is still there and means the same.

The oracle is cantools, reading the sound file strictly.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass
from pathlib import Path

from cantools.database import load_string
from cantools.database.can import Message
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logscope.definitions.can import load_definitions
from logscope.definitions.complaints import END_MARK
from logscope.definitions.database import as_ranges
from logscope.definitions.spec import MessageSpec
from logscope.errors import DefinitionError

HAZEL = (Path(__file__).parent / "data" / "hazel_drive.dbc").read_text(encoding="utf-8")
SOUND = (
    HAZEL.replace("BA_DEF_ BO_", 'CM_ BO_ 512 "of the\ninverter; high voltage";\nCM_ "all";\nBA_DEF_ BO_')
    + 'VAL_ 784 Index 0 "first" ;\nVAL_ 1025 PhaseC 0 "none" 1 "some" ;'
)
DATABASE = load_string(SOUND + "\n", "dbc", strict=True)
PIECES = ['"', ";", ":", "|", "@", " SG_ ", "BO_ ", "VAL_ ", "0", "9", "-", ",", "\t", "\r", "ä", "\x00", "//", ""]


@dataclass(frozen=True)
class Line:
    """A line of the file and where it comes from; None for one that was altered."""

    text: str
    origin: int | None


ORIGINAL = [Line(text, number) for number, text in enumerate(SOUND.split("\n"))]
PLACE = st.floats(0, 1, exclude_max=True)
DAMAGE = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(["delete", "double", "truncate"]), PLACE),
        st.tuples(st.just("swap"), PLACE, PLACE),
        st.tuples(st.just("alter"), PLACE, PLACE, st.sampled_from(PIECES), st.integers(0, 3)),
    ),
    min_size=1,
    max_size=6,
)


def damaged(steps: list[tuple]) -> list[Line]:  # type: ignore[type-arg]
    lines = list(ORIGINAL)
    for kind, place, *more in steps:
        if not lines:
            break
        at = int(place * len(lines))
        line = lines[at]
        if kind == "delete":
            del lines[at]
        elif kind == "double":
            lines.insert(at, line)
        elif kind == "swap":
            other = int(more[0] * len(lines))
            lines[at], lines[other] = lines[other], line
        elif kind == "truncate":
            cut = Line(line.text[: len(line.text) // 2], None)
            lines[at:] = [cut]
        else:
            where, piece, width = int(more[0] * (len(line.text) + 1)), more[1], more[2]
            lines[at] = Line(line.text[:where] + piece + line.text[where + width :], None)
    return lines


def number_of(message: Message) -> int:
    return int(message.frame_id) | (bool(message.is_extended_frame) << 31)


def is_untouched(message: Message, lines: list[Line]) -> bool:
    """Whether its own lines are all there once and in order, and no other line can be taken for one of its."""
    number = str(number_of(message))
    own = [
        n for n, line in enumerate(ORIGINAL) if re.search(rf"_ {number}\b", line.text) and '"of the' not in line.text
    ]
    head = next(n for n in own if ORIGINAL[n].text.startswith("BO_"))
    end = head + 1
    while ORIGINAL[end].text.startswith(" SG_"):
        end += 1
    origins = [line.origin for line in lines]
    if any(origins.count(n) != 1 for n in {*own, *range(head, end)}):
        return False
    listed = next((at for at, line in enumerate(lines) if line.text.startswith("NS_")), len(lines))
    symbols = next((at for at in range(listed + 1, len(lines)) if ":" in lines[at].text), len(lines))
    if any(listed < origins.index(n) < symbols for n in own):  # cantools takes it for a part of the list
        return False
    at = origins.index(head)
    following = (line.text for line in lines[at + end - head :] if line.origin is not None)
    after = next((text for text in following if re.match(r"\s*(SG_|BO_|VAL_|SIG_VALTYPE_|SG_MUL_VAL_|BA_)", text)), "")
    return (
        origins[at : at + end - head] == list(range(head, end))
        and "SG_ " not in after  # stray text and comments do not end a message
        and not any(line.origin is None and number in line.text for line in lines)
    )


def assert_means_the_same(ours: MessageSpec, theirs: Message) -> None:
    assert ours.name == theirs.name
    assert set(ours.by_name) == {signal.name for signal in theirs.signals}
    for signal in theirs.signals:
        spec = ours.by_name[signal.name]
        assert (spec.start, spec.bits, spec.big_endian) == (
            signal.start,
            signal.length,
            signal.byte_order == "big_endian",
        )
        assert (spec.scale, spec.offset, spec.unit) == (signal.scale, signal.offset, signal.unit or "")
        assert (spec.floating, spec.signed) == (signal.is_float, signal.is_signed and not signal.is_float)
        assert spec.choices == {raw: str(text) for raw, text in (signal.choices or {}).items()}
        inner = spec.multiplexer[-1] if spec.multiplexer else None
        assert (inner.selector if inner else None) == signal.multiplexer_signal
        assert (inner.ranges if inner else ()) == as_ranges(signal.multiplexer_ids or ())


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(DAMAGE)
@example([("alter", 0.99999, 0.5, "", 3)])
@example([("truncate", 0.5)])
def test_what_was_not_touched_is_there_and_means_the_same(tmp_path: Path, steps: list[tuple]) -> None:  # type: ignore[type-arg]
    lines = damaged(steps)
    path = tmp_path / "damaged.dbc"
    path.write_text("\n".join(line.text for line in lines), encoding="utf-8", newline="")
    begun = time.process_time()
    try:
        found = load_definitions(path)
    except DefinitionError:
        assert not any(is_untouched(message, lines) for message in DATABASE.messages)
        return
    finally:
        assert time.process_time() - begun < 2
    loaded = {(spec.identifier, spec.extended): spec for spec in found.messages}
    for message in DATABASE.messages:
        if is_untouched(message, lines):
            assert_means_the_same(loaded[message.frame_id, message.is_extended_frame], message)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(DAMAGE)
def test_what_is_not_reported_is_all_there(tmp_path: Path, steps: list[tuple]) -> None:  # type: ignore[type-arg]
    """Whatever cantools refuses is reported; what it takes in silence means to us what it means to it."""
    text = "\n".join(line.text for line in damaged(steps))
    path = tmp_path / "damaged.dbc"
    path.write_text(text, encoding="utf-8", newline="")
    try:
        found = load_definitions(path)
    except DefinitionError:
        return
    if found.skipped:
        assert all(place.reason and (place.line is None or place.line > 0) for place in found.skipped)
        return
    database = load_string(re.sub(r"\r+\n?", "\n", text) + END_MARK, "dbc", strict=True)
    for spec, message in zip(found.messages, database.messages, strict=True):
        assert_means_the_same(spec, message)
