"""What a user of Python gets: tables of their own checked, single checks, the README's example."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import logscope
from logscope import RequestError, Signals, VehicleError
from logscope.result import Result

ROOT = Path(logscope.__file__).parents[1]
LOG, VEHICLE, DBC = (
    str(ROOT / name) for name in ("sample_logs/hazel-healthy.log", "decoders/hazel.toml", "decoders/hazel.dbc")
)


@pytest.fixture(scope="module")
def checked() -> Result:
    return logscope.check(LOG, VEHICLE, only="precharge")


def frame(**columns: object) -> pd.DataFrame:
    return pd.DataFrame({"time_s": [0.0, 0.5, 1.0, 1.5], **columns})


def test_a_table_of_ones_own_is_checked_as_a_log_is(checked: Result) -> None:
    """The same parts by way of pandas: kinds, and the time constant, agree with the log's."""
    names = ("dc_link_voltage", "battery_voltage", "main_contactor", "precharge_relay")
    df = checked.signals.to_dataframe()
    steps = {name: {"part": name, "step": checked.signals[name].step} for name in names}
    again = logscope.check(Signals.from_dataframe(df, steps), VEHICLE, only=["precharge"])

    def found(result: Result) -> list[tuple[str, float | None]]:
        return [
            (f.kind, f.measured["time_constant_s"].value) for f in result.findings if f.kind.startswith("precharge.")
        ]

    assert [kind for kind, _ in found(again)] == [kind for kind, _ in found(checked)] == ["precharge.complete"]
    assert found(again)[0][1] == pytest.approx(found(checked)[0][1], rel=1e-3)
    assert again.to_html().startswith("<!DOCTYPE html>")
    assert json.loads(again.to_json())["capture"]["frames"] == 0


def test_every_value_comes_back_at_its_time() -> None:
    df = pd.DataFrame({"time_s": [0.0, 0.1, 0.1, 0.3], "u": [1.0, 2.0, np.nan, 4.0], "i": [5.0, 6.0, 7.0, np.nan]})
    back = Signals.from_dataframe(df, {"u": "dc_link_voltage", "i": "battery_current"}).to_dataframe()
    assert back.index.name == "time_s"
    assert back["dc_link_voltage"].dropna().tolist() == [1.0, 2.0, 4.0]
    assert back["battery_current"].dropna().tolist() == [5.0, 6.0, 7.0]
    assert back.index.tolist() == [0.0, 0.1, 0.1, 0.3]
    assert back.attrs["units"] == {"dc_link_voltage": "V", "battery_current": "A"}


def test_units_scales_states_and_texts_are_read_as_in_a_vehicle_file() -> None:
    df = frame(u=[0.1, 0.2, 0.3, 0.4], n=[10, 20, 30, 40], k=["open", "closed", None, "closed"], f=[0, 0, 3, 3])
    signals = Signals.from_dataframe(
        df,
        {
            "u": {"part": "dc_link_voltage", "unit": "kV"},
            "n": {"part": "motor_speed", "scale": -2},
            "k": {"part": "main_contactor", "on": "closed"},
            "f": {"part": "fault", "overcurrent": 3},
        },
    )
    assert signals["dc_link_voltage"].value.tolist() == pytest.approx([100.0, 200.0, 300.0, 400.0])
    assert signals["motor_speed"].value.tolist() == [-20.0, -40.0, -60.0, -80.0]
    assert (signals["motor_speed"].step, signals["dc_link_voltage"].step) == (2.0, None)
    on, overcurrent = signals["main_contactor"].on, signals["fault"].overcurrent
    assert on is not None
    assert overcurrent is not None
    assert (on.tolist(), signals["main_contactor"].time_s.tolist()) == ([False, True, True], [0.0, 0.5, 1.5])
    assert overcurrent.tolist() == [False, False, True, True]


def test_times_may_be_dates() -> None:
    index = pd.to_datetime(["2026-03-02 09:00:00.0", "2026-03-02 09:00:01.0", "2026-03-02 09:00:02.5"])
    signals = Signals.from_dataframe(pd.DataFrame({"u": [1.0, 2.0, 3.0]}, index=index), {"u": "dc_link_voltage"})
    assert signals["dc_link_voltage"].time_s.tolist() == [0.0, 1.0, 2.5]
    assert (signals.start_s, signals.end_s) == (0.0, 2.5)


@pytest.mark.parametrize(
    ("table", "parts", "said"),
    [
        (frame(u_link=1.0), {"u_lnk": "dc_link_voltage"}, "no column “u_lnk”. Did you mean “u_link”?"),
        (frame(u=1.0), {"u": "dc_link_volts"}, "not a known part. Did you mean “dc_link_voltage”?"),
        (frame(u=1.0), {"u": {"part": "dc_link_voltage", "units": "V"}}, "unknown key “units” .* Did you mean “unit”?"),
        (frame(u=1.0), {"u": {"part": "dc_link_voltage", "unit": "Nm"}}, "“Nm”, which cannot be converted to V"),
        (frame(u=1.0), {"u": {"part": "dc_link_voltage", "scale": 0}}, "scale: must not be 0"),
        (frame(u=1.0), {"u": {"part": "dc_link_voltage", "on": [1]}}, "“on” does not belong to “dc_link_voltage”"),
        (frame(u="x"), {"u": "dc_link_voltage"}, "column “u” holds .*, not numbers"),
        (frame(u=1.0, w=1.0), {"u": "throttle", "w": "throttle"}, "two columns are mapped to throttle"),
        (frame(u=1.0), {}, "no column is mapped"),
        (frame(u=1.0).drop(columns="time_s"), {"u": "throttle"}, "the table has no times"),
        (frame(u=1.0).iloc[::-1], {"u": "throttle"}, "goes back at row 1 of the table: 1.5 s, then 1 s"),
        (frame(u=1.0).iloc[:0], {"u": "throttle"}, "no rows"),
        (frame(u=1.0).assign(time_s="soon"), {"u": "throttle"}, "not numbers. Give seconds"),
    ],
)
def test_what_cannot_be_used_is_named_with_what_to_do(table: pd.DataFrame, parts: dict[str, str], said: str) -> None:
    with pytest.raises(RequestError, match=said):
        Signals.from_dataframe(table, parts)


def test_a_state_that_does_not_occur_is_named() -> None:
    table = frame(k=["open", "closed", "open", "closed"])
    with pytest.raises(VehicleError, match=r"no value named “closd”. Did you mean “closed”"):
        Signals.from_dataframe(table, {"k": {"part": "main_contactor", "on": "closd"}})


def test_one_check_runs_alone_and_an_unknown_one_is_refused(checked: Result) -> None:
    topics = {finding.kind.split(".")[0] for finding in checked.findings}
    assert "precharge" in topics
    assert topics <= {"precharge", "capture", "mapping", "bus"}
    with pytest.raises(RequestError, match=r"no check “prechrge”. Did you mean “precharge”"):
        logscope.check(LOG, VEHICLE, only="prechrge")


def test_a_notebook_shows_titles_and_reasons_escaped(checked: Result) -> None:
    from dataclasses import replace

    first = replace(checked.findings[0], title="<script>alert(1)</script> & more")
    html = replace(checked, findings=(first,), vehicle_name="<b>Hazel</b>")._repr_html_()
    assert "<script>" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; more" in html
    assert "&lt;b&gt;Hazel" in html
    assert html.count("<tr") == 2  # the head, and one finding


def test_the_example_of_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    example = re.search(r"```python\n(.*?)```", text, re.DOTALL)
    assert example is not None
    for name in ("drive.log", "old.log", "new.log"):
        shutil.copy(LOG, tmp_path / name)
    shutil.copy(DBC, tmp_path / "my.dbc")
    vehicle = Path(VEHICLE).read_text(encoding="utf-8")
    shutil.copy(ROOT / "decoders/hazel-console.toml", tmp_path)
    shutil.copy(DBC, tmp_path / "hazel.dbc")
    (tmp_path / "my.toml").write_text(vehicle, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    exec(compile(example[1], "README.md", "exec"), {})
    assert (tmp_path / "report.html").exists()
