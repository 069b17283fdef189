"""What a run of checks hands on: order, reasons, one check that fails, and the account. The checks are made ones."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from logscope.capture.frames import DATES_FROM_NS, Account, Gap, TimeStep
from logscope.decoded import Decoded, _joined
from logscope.decoding.block import DecodeCounts
from logscope.errors import LogError, RequestError
from logscope.findings import Evidence, Finding, NotChecked, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.pipeline import _differences, _in_order, _in_short, _summary, check, chosen_checks, compare, run_checks
from logscope.result import CaptureSummary, Result
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

USUAL = (
    "precharge", "discharge", "contactors", "encoder", "trips", "limits", "battery", "aux_supply", "current_control",
    "driveline", "throttle", "regeneration", "machine", "cooling", "charging", "bus",
)  # fmt: skip


def finding(kind: str, severity: Severity = Severity.INFO, start_s: float = 0.0, *, as_logged: bool = False) -> Finding:
    return Finding(kind, severity, start_s, start_s, kind, "", "", (), evidence=Evidence(as_logged=as_logged))


def part(name: str, value: float = 0.0) -> Part:
    return Part(name, np.arange(3.0), np.full(3, value), "", f"A.{name}")


def test_the_checks_run_in_the_order_in_which_a_conversion_meets_them() -> None:
    assert tuple(name for name, _ in chosen_checks(())) == USUAL
    assert tuple(name for name, _ in chosen_checks(["trips", "encoder"])) == ("encoder", "trips")
    assert tuple(name for name, _ in chosen_checks("trips")) == ("trips",)
    with pytest.raises(RequestError, match=r"there is no check “xyz”. There are: precharge, discharge"):
        chosen_checks("xyz")
    for name, run in chosen_checks(()):
        assert run.__name__ == name


SIGNALS = Signals({"torque": part("torque")}, 0.0, 2.0, empty={"slip": "it is empty"}).without(
    {"throttle": "it is off"}
)


def found(check: object) -> tuple[list[str], list[NotChecked]]:
    findings, not_checked = run_checks(SIGNALS, Vehicle(), [("made", check)])  # type: ignore[list-item]
    return [each.kind for each in findings], not_checked


def test_a_check_without_its_part_says_why() -> None:
    def asks(*names: str) -> object:
        def run(signals: Signals, seen: Observations, vehicle: Vehicle) -> list[Finding]:
            for name in names[:-1]:
                signals.get(name)
            return [finding(signals[names[-1]].name)]

        return run

    assert found(asks("torque")) == (["torque"], [])
    assert found(asks("slip")) == ([], [NotChecked("made", "it is empty")])
    meaning = "no signal is mapped to motor_speed (motor shaft, positive driving forward)"
    assert found(asks("motor_speed")) == ([], [NotChecked("made", meaning)])
    assert found(asks("throttle")) == ([], [NotChecked("made", "it is off")])
    assert found(asks("throttle", "motor_speed")) == ([], [NotChecked("made", "it is off")])
    in_part = NotChecked("made", "checked without throttle, which is in doubt", in_part=True)
    assert found(asks("throttle", "torque")) == (["torque"], [in_part])


def test_a_check_with_nothing_to_judge_or_a_defect_costs_no_other_its_findings() -> None:
    def nothing(signals: Signals, seen: Observations, vehicle: Vehicle) -> list[Finding]:
        signals.get("throttle")
        raise NothingToCheck("it never turned")

    def defect(signals: Signals, seen: Observations, vehicle: Vehicle) -> list[Finding]:
        signals.get("throttle")
        raise ZeroDivisionError

    in_part = NotChecked("made", "checked without throttle, which is in doubt", in_part=True)
    assert found(nothing) == ([], [NotChecked("made", "it never turned"), in_part])
    with pytest.warns(RuntimeWarning, match=r"the check “made” failed: ZeroDivisionError"):
        kinds, (failed,) = found(defect)
    assert kinds == []
    assert "ZeroDivisionError in test_checks_in_order.py:" in failed.reason
    assert not failed.in_part


def test_findings_on_the_mapping_come_first_and_the_others_in_order_of_time() -> None:
    doubts = [finding("mapping.scale", start_s=9.0)]
    rest = [finding("b", start_s=2.0), finding("a", start_s=1.0), finding("c", start_s=2.0)]
    assert [each.kind for each in _in_order(doubts, rest)] == ["mapping.scale", "a", "b", "c"]


def test_three_assumed_units_are_named_and_the_others_counted() -> None:
    assert _in_short([]) == ()
    assert _in_short(["a", "b", "c"]) == ("a; b; c",)
    assert _in_short(["a", "b", "c", "d"]) == ("a; b; c; and 1 more, see the report",)
    assert _in_short(["a", "b", "c", "d", "e"]) == ("a; b; c; and 2 more, see the report",)


def decoded(start_ns: int) -> Decoded:
    account = Account(time_steps=(TimeStep(start_ns + 3 * 10**9, 2_500_000_000),), gaps=())
    counts = DecodeCounts(decoded=5, undefined=4, undecodable=3, samples_undecodable=2)
    return Decoded({}, account, counts, start_ns, start_ns + 7_500_000_000, ())


@pytest.mark.parametrize(
    ("start_ns", "start_utc"),
    [(DATES_FROM_NS, datetime(2001, 9, 9, 1, 46, 40, tzinfo=UTC)), (DATES_FROM_NS - 1, None), (0, None)],
)
def test_the_account_of_a_log_counts_from_its_first_stamp(start_ns: int, start_utc: datetime | None) -> None:
    """A billion seconds after 1970 was 2001-09-09 01:46:40 UTC; a smaller number is none of a date."""
    made = decoded(start_ns)
    assert _summary(made.account, made) == CaptureSummary(
        made.account, start_utc, 7.5, frames_decoded=5, frames_undefined=4, frames_undecodable=3, samples_undecodable=2,
        time_steps=((3.0, 2.5),),
    )  # fmt: skip
    assert made.stretches([Gap(start_ns + 10**9, start_ns + 2 * 10**9)]) == [(1.0, 2.0)]


def test_spans_are_joined_and_dates_do_not_mix_with_counts() -> None:
    assert _joined(None, (3, 4), ["a"]) == (3, 4)
    assert _joined((3, 9), (1, 5), ["a"]) == (1, 9)
    assert _joined((3, 5), (4, 9), ["a"]) == (3, 9)
    assert _joined((DATES_FROM_NS, DATES_FROM_NS), (DATES_FROM_NS + 1, DATES_FROM_NS + 2), []) == (
        DATES_FROM_NS, DATES_FROM_NS + 2,
    )  # fmt: skip
    for one, other in ((DATES_FROM_NS, 5), (5, DATES_FROM_NS)):
        with pytest.raises(LogError, match=r"^a: these logs are on different clocks"):
            _joined((one, one), (other, other), ["a"])


def test_a_comparison_needs_runs_on_both_sides_and_says_what_two_vehicle_files_have_otherwise(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    log.write_text("(1700000000.0) can0 100#00\n(1700000001.0) can0 100#01\n", encoding="utf-8")
    for sides in (([], [log]), ([log], []), ([], [])):
        with pytest.raises(RequestError, match="a comparison needs at least one run on each side"):
            compare(*sides, Vehicle())
    one = Vehicle.model_validate({"motor": {"pole_pairs": 2}})
    other = Vehicle.model_validate({"motor": {"pole_pairs": 3}})
    assert _differences(one, one) == []
    (found,) = _differences(one, other)
    assert "pole_pairs" in str(found)


def test_signals_of_one_s_own_have_a_length_and_no_account_of_a_log() -> None:
    off = Part("motor_speed", np.arange(60) * 0.2, np.zeros(60), "rpm", "Own.Speed", 1.0)
    road = Part("vehicle_speed", np.arange(60) * 0.2, np.full(60, 40.0), "km/h", "Own.Road", 0.1)
    signals = Signals({"motor_speed": off, "vehicle_speed": road}, 1.5, 11.8)
    found = check(signals, Vehicle.model_validate({"vehicle": {"name": "Hazel"}}), only="throttle")
    assert found.capture == CaptureSummary(Account(), None, pytest.approx(10.3), 0, 0, 0)
    assert found.vehicle_name == "Hazel"
    assert found.sources == {"motor_speed": "Own.Speed", "vehicle_speed": "Own.Road"}
    assert [each.kind for each in found.findings] == ["mapping.constant"]
    assert (list(found.doubted), list(found.signals.parts)) == (["motor_speed"], ["vehicle_speed"])
    assert [each.check for each in found.not_checked] == ["throttle"]


def test_steps_and_gaps_of_the_logger_s_clock_are_in_the_log_s_own_seconds(tmp_path: Path) -> None:
    """Stamps of a second apart, then ten seconds of nothing; 1,700,000,000 is a date."""
    path = tmp_path / "a.log"
    stamps = [1_700_000_000 + k * 0.1 for k in range(100)] + [1_700_000_020 + k * 0.1 for k in range(100)]
    path.write_text("".join(f"({at:.6f}) can0 100#00\n" for at in stamps), encoding="utf-8")
    found = check(path, Vehicle(), only="throttle")
    (gap,) = [each for each in found.findings if each.kind == "capture.gap"]
    assert (gap.start_s, gap.end_s) == pytest.approx((9.9, 20.0))
    assert found.capture.duration_s == pytest.approx(29.9)
    assert (found.capture.account.frames, found.capture.frames_undefined) == (200, 200)


def result(*findings: Finding) -> Result:
    summary = CaptureSummary(Account(), None, 2.0, 0, 0, 0)
    signals = Signals({"torque": part("torque", 1.0)}, 0.0, 2.0)
    doubted, originals = {"slip": part("slip")}, {"torque": part("torque", 9.0)}
    return Result("made", summary, findings, (), signals, doubted=doubted, originals=originals)


def test_charts_show_parts_in_doubt_and_what_was_left_out_where_a_finding_asks_for_it() -> None:
    made = result()
    assert sorted(made.logged.parts) == ["slip", "torque"]
    assert made.drawn_for(finding("a"))["torque"].value.tolist() == [1.0] * 3
    drawn = made.drawn_for(finding("a", as_logged=True))
    assert drawn["torque"].value.tolist() == [9.0] * 3
    assert "slip" in drawn


def test_the_worst_finding_counts() -> None:
    assert result().worst is Severity.GOOD
    kinds = [Severity.WARNING, Severity.DANGER, Severity.INFO]
    assert result(*(finding("a", each) for each in kinds)).worst is Severity.DANGER
    assert [each.rank for each in (Severity.GOOD, Severity.INFO, Severity.WARNING, Severity.DANGER)] == [0, 1, 2, 3]
