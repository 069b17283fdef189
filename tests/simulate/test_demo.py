"""The demo and the sample logs on disk."""

from __future__ import annotations

import json

import pytest
from write_sample_logs import write_samples

from logscope.errors import RequestError
from logscope.simulate.demo import write_demo
from logscope.vehicle import load_vehicle


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return write_demo(tmp_path_factory.mktemp("a folder") / "demo")


def test_demo_tells_its_story(demo):
    events = json.loads(demo.truth.read_text(encoding="utf-8"))["events"]
    main = [(e["kind"], e["cause"]) for e in events if not e["kind"].startswith("encoder")]
    assert main == [
        ("precharge.complete", None),
        ("dc_link.discharged", None),
        ("precharge.slow", None),
        ("trip.overcurrent", "encoder"),
        ("trip.overcurrent", "demand"),
        ("dc_link.discharged", None),
        ("charge.complete", None),
    ]
    assert sum(e["kind"].startswith("encoder") for e in events) >= 10


def test_demo_vehicle_file_keeps_the_contract(demo):
    vehicle = load_vehicle(demo.vehicle)
    assert vehicle.vehicle.name == "Hazel"
    assert vehicle.locate(vehicle.can[0].definitions[0]) == demo.definitions
    assert demo.definitions.exists()


def test_demo_log_is_sound_and_in_order(demo):
    lines = demo.logs[0].read_text(encoding="ascii").splitlines()
    stamps = [float(line[1:18]) for line in lines]
    assert stamps == sorted(stamps)
    assert {line[20:24] for line in lines} == {"can0", "can1"}
    assert stamps[-1] - stamps[0] == pytest.approx(600.0, abs=0.1)


def test_demo_says_that_it_is_simulated(demo):
    assert "imulated" in (demo.folder / "README.md").read_text(encoding="utf-8")
    assert "Simulated" in demo.definitions.read_text(encoding="utf-8")
    assert "simulated" in demo.vehicle.read_text(encoding="utf-8")
    assert json.loads(demo.truth.read_text(encoding="utf-8"))["simulated"] is True


def test_demo_refuses_a_folder_that_is_a_file(tmp_path):
    (tmp_path / "taken").write_bytes(b"")
    with pytest.raises(RequestError, match="cannot create the folder"):
        write_demo(tmp_path / "taken")


def test_repository_has_the_definitions_of_the_package(pytestconfig):
    root = pytestconfig.rootpath
    for name in ("hazel.dbc", "hazel.toml", "hazel-console.toml"):
        packaged = (root / "logscope" / "simulate" / name).read_bytes()
        assert (root / "decoders" / name).read_bytes() == packaged


def test_samples_are_the_same_bytes_each_time(tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    for folder in (one, two):
        folder.mkdir()
        write_samples(folder)
    for path in one.iterdir():
        assert path.read_bytes() == (two / path.name).read_bytes()


def test_samples_stay_small(pytestconfig):
    for name in ("hazel-healthy.log", "hazel-troubled.log"):
        assert 0 < (pytestconfig.rootpath / "sample_logs" / name).stat().st_size < 1.2e6
