"""Lines of TOML files: what one that is none probably means, and which line sets a value. By hand; oracle `tomllib`."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from logscope.errors import RequestError
from logscope.toml_file import as_error, dotted, line_of, read_toml


@pytest.mark.parametrize(
    ("line", "what", "do"),
    [
        ("ratio = 8,2", "a number with a decimal comma", "Write a point: 8.2."),
        ("ratio = -8,25 # about", "a number with a decimal comma", "Write a point: -8.25."),
        ('path = "logs\\a.log"', "a backslash inside double quotes", "Write / instead"),
        ("name = 'Hazel", "a quotation mark is missing at the end of the line", "Close the text"),
        ("# it = 'x\nname = 'Hazel", "a quotation mark is missing at the end of the line", "Close the text"),
        ('name = "Hazel', "a quotation mark is missing at the end of the line", "Close the text"),
        ("ohm = 150 ohm", "text after a number", "Write the number alone: 150. A unit"),
        ("ohm = -1.5Ω # from its sheet", "text after a number", "Write the number alone: -1.5. A unit"),
        ("name = Hazel", "text without quotation marks", 'Write "Hazel".'),
        ("torque = Inverter.Torque  # Nm", "text without quotation marks", 'Write "Inverter.Torque".'),
        ("name =", "there is no value after the =", "Fill it in, or put a #"),
        ("name = # later", "there is no value after the =", "Fill it in, or put a #"),
        ("name", "not valid TOML: ", "Correct that line."),
    ],
)
def test_a_line_that_is_no_toml_is_answered_with_what_it_means(tmp_path: Path, line: str, what: str, do: str) -> None:
    path = tmp_path / "made.toml"
    path.write_text(f"[vehicle]\n\n{line}\n", encoding="utf-8")
    with pytest.raises(RequestError) as refused:
        read_toml(path, "the made file", RequestError)
    assert str(refused.value).startswith(f"{path}:{3 + line.count(chr(10))}: {what}")
    assert do in str(refused.value)


def test_a_file_that_cannot_be_read_or_is_no_text_is_named(tmp_path: Path) -> None:
    path = tmp_path / "made.toml"
    with pytest.raises(RequestError, match=r"cannot read the made file \(No such file or directory\)"):
        read_toml(path, "the made file", RequestError)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RequestError, match=r"the made file is not UTF-8 text\. Save it as UTF-8"):
        read_toml(path, "the made file", RequestError)
    path.write_bytes(b"\xef\xbb\xbfratio = 8.2\n")  # with a byte order mark
    assert read_toml(path, "the made file", RequestError) == ({"ratio": 8.2}, "ratio = 8.2\n")


TEXT = """# made
[vehicle]
name = "Hazel"

[[can]]
bus = "a"
[[can]]
bus = "b"
[can.columns]
time = "t"
[signals]
"motor_speed" = "A.B"
torque.signal = "A.C"
torque.scale = -1
[[can]]
bus = "c"
"""


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        (("vehicle",), 2), (("vehicle", "name"), 3), (("vehicle", "age"), 2), (("can", 0), 5), (("can", 0, "bus"), 6),
        (("can", 1, "bus"), 8), (("can", 1, "columns", "time"), 10), (("can", 2, "bus"), 16), (("can", 2, "rate"), 15),
        (("signals", "motor_speed"), 12), (("signals", "torque", "scale"), 14), (("signals", "torque", "signal"), 13),
        (("signals", "slip"), 11), (("motor",), None), (("motor", "poles"), None),
    ],
)  # fmt: skip
def test_the_line_that_sets_a_value_or_its_table_is_found(keys: tuple[str | int, ...], line: int | None) -> None:
    assert line_of(TEXT, keys) == line


def test_places_in_arrays_count_from_one_in_words() -> None:
    assert [dotted(keys) for keys in ((), ("can",), ("can", 0), ("can", 1, "bus"), ("a", "b", "c"))] == [
        "", "can", "can 1", "can 2.bus", "a.b.c",
    ]  # fmt: skip


class Inner(BaseModel):
    model_config = ConfigDict(extra="forbid")
    depth: float = Field(1.0, gt=0)
    secret: int = Field(0, exclude=True)


class Outer(BaseModel):
    model_config = ConfigDict(extra="forbid")
    name: str
    inner: tuple[Inner, ...] | None = None


def complaint(text: str, content: dict[str, object]) -> str:
    with pytest.raises(ValidationError) as failure:
        Outer.model_validate(content)
    return str(as_error(failure.value, Outer, text, Path("made.toml"), RequestError))


def test_an_unknown_key_is_named_with_the_nearest_and_before_what_it_makes_missing() -> None:
    assert complaint("nmae = 1\n", {"nmae": 1}) == "made.toml:1: unknown key “nmae”. Did you mean “name”?"
    text = "name = 'a'\n[[inner]]\nzzz = 1\n"
    assert complaint(text, {"name": "a", "inner": [{"zzz": 1}]}) == (
        "made.toml:3: unknown key “inner 1.zzz”. Known here: depth."
    )


def test_a_missing_key_and_a_wrong_value_are_named_with_their_line() -> None:
    assert complaint("", {}) == "made.toml: “name”: this key is required. Add it."
    text = "name = 'a'\n[[inner]]\n[[inner]]\ndepth = 0\n"
    assert complaint(text, {"name": "a", "inner": [{}, {"depth": 0}]}) == (
        "made.toml:4: “inner 2.depth”: should be greater than 0. Correct that value."
    )
