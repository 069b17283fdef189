"""Files are whole or not there."""

from __future__ import annotations

import os

import pytest

from logscope.errors import RequestError
from logscope.files import write_text


def test_text_is_utf8_with_plain_line_ends(tmp_path):
    path = tmp_path / "with a space µ.txt"
    write_text(path, "Ω\n2\n")
    assert path.read_bytes() == "Ω\n2\n".encode()
    assert list(tmp_path.iterdir()) == [path]


def test_a_former_file_is_replaced(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("a longer text than the new one", encoding="utf-8")
    write_text(str(path), "new")
    assert path.read_text(encoding="utf-8") == "new"


def test_a_missing_folder_is_named_and_not_created(tmp_path):
    with pytest.raises(RequestError, match=r"nowhere.*does not exist.*Create"):
        write_text(tmp_path / "nowhere" / "a.txt", "x")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(RequestError, match="folder, not a file"):
        write_text(tmp_path, "x")


@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(28, "No space left on device")])
def test_an_interrupted_write_leaves_the_former_file(tmp_path, monkeypatch, error):
    path = tmp_path / "a.txt"
    path.write_text("former", encoding="utf-8")

    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises((KeyboardInterrupt, RequestError)) as caught:
        write_text(path, "new")
    assert path.read_text(encoding="utf-8") == "former"
    assert list(tmp_path.iterdir()) == [path]
    if isinstance(error, OSError):
        assert "No space left on device" in str(caught.value)
        assert str(path) in str(caught.value)


def test_names_that_are_no_unicode_are_written_as_escapes(tmp_path):
    write_text(tmp_path / "a.json", '"log\udc80"')
    assert (tmp_path / "a.json").read_bytes() == b'"log\\udc80"'
