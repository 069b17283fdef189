"""Files are whole or not there."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from logscope import files
from logscope.errors import RequestError
from logscope.files import as_paths, create_folder, file_key, refuse_on_both_sides, refuse_repeated, write_text


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


def test_every_way_to_a_file_has_one_key(tmp_path, monkeypatch):
    """Also to a file that does not exist yet; the symbolic links where the system grants them."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sub").mkdir()
    for name in ("there", "not yet"):
        ways = [name, f"./{name}", f"sub/../{name}", tmp_path / name]
        if name == "there":
            (tmp_path / name).write_bytes(b"")
            os.link(name, "hard")
            ways.append("hard")
        try:
            os.symlink(tmp_path / name, f"link to {name}")
            os.symlink(tmp_path, f"folder of {name}", target_is_directory=True)
        except OSError:
            pass
        else:
            ways += [f"link to {name}", f"folder of {name}/{name}"]
        assert len({file_key(way) for way in ways}) == 1
    assert file_key("there") != file_key("not yet") != file_key("sub/not yet")
    assert file_key("no/such/folder/a") == file_key("no/such/folder/../folder/a")


@pytest.mark.parametrize("ignores", [True, False])
def test_letter_case_counts_where_the_system_minds_it(tmp_path, monkeypatch, ignores):
    monkeypatch.setattr(files, "_ignores_case", lambda folder: ignores)
    assert (file_key(tmp_path / "a.html") == file_key(tmp_path / "A.HTML")) is ignores


def test_a_log_given_twice_is_named_as_first_given(tmp_path):
    (tmp_path / "a.log").write_bytes(b"")
    (tmp_path / "x").mkdir()
    refuse_repeated([tmp_path / "a.log", tmp_path / "b.log"])
    with pytest.raises(RequestError, match=r"x/\.\./a\.log: this log is given twice, first as .*a\.log"):
        refuse_repeated([tmp_path / "a.log", f"{tmp_path}/x/../a.log"])
    with pytest.raises(RequestError, match=r"a\.log: this log is given twice\. Name each log once"):
        refuse_repeated([tmp_path / "b.log", tmp_path / "a.log", str(tmp_path / "a.log")])


def test_a_log_given_twice_by_one_path_object_is_refused_as_well(tmp_path):
    path = tmp_path / "a.log"
    with pytest.raises(RequestError, match="this log is given twice"):
        refuse_repeated([path, path])


def test_a_log_on_both_sides_of_a_change_is_refused(tmp_path):
    refuse_on_both_sides([tmp_path / "a", tmp_path / "b"], [tmp_path / "c"])
    with pytest.raises(RequestError, match="b: this log is given both before and after the change"):
        refuse_on_both_sides([tmp_path / "a", tmp_path / "b"], [tmp_path / "c", tmp_path / "x" / ".." / "b"])


def test_one_path_is_one_and_not_its_letters():
    assert as_paths("ab") == as_paths(Path("ab")) == as_paths(["ab"]) == [Path("ab")]
    assert as_paths(("a", Path("b"))) == [Path("a"), Path("b")]


def test_a_folder_is_made_with_those_around_it_and_one_that_cannot_be_is_named(tmp_path):
    create_folder(tmp_path / "x" / "y")
    create_folder(tmp_path / "x" / "y")
    assert (tmp_path / "x" / "y").is_dir()
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(RequestError, match=r"file: cannot create the folder .*Name another"):
        create_folder(tmp_path / "file")


def test_the_system_minds_letter_case_where_a_folder_of_other_case_is_another(tmp_path):
    (tmp_path / "Made").mkdir()
    assert not files._ignores_case("/no/such/Folder")
    assert files._ignores_case(str(tmp_path / "Made")) is (tmp_path / "mADE").exists()
