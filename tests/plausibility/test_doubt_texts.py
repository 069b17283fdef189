"""What findings on doubts and left-out readings say and hold: each text and field that depends on a value."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logscope.findings import Finding, Measured, Severity
from logscope.plausibility import doubts, examine
from logscope.plausibility.byte_order import Misread
from logscope.plausibility.clean import _mostly, _no_value, _waking, clean
from logscope.plausibility.coherent import coherent
from logscope.plausibility.doubt import Doubt
from logscope.plausibility.doubts import _mirrored, _misread, _temperature, _turned, misread_doubts, sign_doubts
from logscope.plausibility.examine import Plausible
from logscope.plausibility.name import line_of, place_of
from logscope.plausibility.signs import SignTie, Turned
from logscope.plausibility.temperatures import Cure, WrongTemperature
from logscope.signals import Encoding, Part, Signals
from logscope.vehicle import Limits, Mapped, Vehicle

PLAIN = Vehicle()


def part(name: str, *value: float, unit: str = "rpm", encoding: Encoding | None = None, period_s: float = 1.0) -> Part:
    read = np.array(value)
    return Part(name, 2.0 + period_s * np.arange(read.size), read, unit, "Made.Reading", 1.0, encoding=encoding)


def log(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 1.0, 99.0)


@pytest.mark.parametrize(
    ("how", "kind", "said", "jumps", "do"),
    [
        (
            Misread.BYTES,
            "byte_order",
            "with its bytes in the wrong order",
            "at each carry",
            "Change the byte order of M",
        ),
        (Misread.UNSIGNED, "signed", "as unsigned, where negative", "each time it passes", "Make Made.Reading signed"),
        (
            Misread.HIGH_BITS,
            "byte_order",
            "without its high bits",
            "from one end of its",
            "Check start bit, length and",
        ),
    ],
)
def test_a_misread_integer_is_named_with_its_largest_jump(
    how: Misread, kind: str, said: str, jumps: str, do: str
) -> None:
    doubt = _misread(part("motor_speed", 5.0, 12_350.0, 9.0), how, PLAIN)
    finding = doubt.finding
    assert (finding.kind, finding.severity) == (f"mapping.{kind}", Severity.WARNING)
    assert (finding.start_s, finding.end_s, finding.parts) == (2.0, 4.0, ("motor_speed",))
    assert finding.title.startswith(f"Motor speed: read {said}")
    assert finding.title.endswith(", jumps of up to 1.234e+04 rpm")
    assert f"Motor speed jumps by up to 1.234e+04 rpm from one sample to the next, {jumps}" in finding.explanation
    assert finding.next_step.startswith(do)
    assert finding.next_step.endswith("It is mapped at “signals.motor_speed”.")
    assert finding.measured == {"largest_step_rpm": Measured(12_345.0, "rpm")}
    assert doubt.doubtful == ("motor_speed",)
    assert doubt.reason.startswith(f"motor speed was read {said}")


def test_only_quantities_are_misread() -> None:
    whole = Encoding(16, False, 1.0, 0.0)
    raw = [k & 0xFFFF for k in (20, -300, -301, -302, -303, -304, -305, 20, -300, 20)]
    (doubt,) = misread_doubts(
        log(part("motor_speed", *raw, encoding=whole), part("fault", *raw, encoding=whole)), PLAIN
    )
    assert (doubt.doubtful, doubt.finding.kind) == (("motor_speed",), "mapping.signed")


def turned(suspects: tuple[str, ...], *ties: SignTie, vehicle: Vehicle = PLAIN) -> Doubt:
    names = ("battery_current", "torque", "motor_speed")
    return _turned(Turned(ties, suspects), log(*(part(name, 0.0) for name in names)), vehicle)


def test_a_turned_sign_is_named_with_the_share_of_the_moments_and_the_line_to_write() -> None:
    one = SignTie(frozenset({"battery_current", "torque"}), 0.07, "it charges")
    two = SignTie(frozenset({"battery_current"}), 0.04, "it discharges")
    doubt = turned(("battery_current",), one, two, two)
    finding = doubt.finding
    assert (finding.kind, finding.severity) == ("mapping.sign", Severity.WARNING)
    assert (finding.start_s, finding.end_s) == (1.0, 99.0)
    assert finding.title == "Battery current: wrong sign, in 96 % of the moments"
    assert finding.explanation.startswith("In 96 % of the moments it charges; it discharges. The likely cause")
    assert finding.next_step == "Write “scale = -1” at “signals.battery_current”."
    assert finding.parts == ("battery_current", "torque")
    assert finding.measured == {"agreement_percent": Measured(pytest.approx(4.0), "%")}
    assert finding.expected == {"agreement_percent": Measured(100.0, "%"), "factor": Measured(-1.0, "")}
    assert (doubt.doubtful, doubt.reason) == (("battery_current",), "battery current has the wrong sign")


def test_of_two_that_may_be_turned_one_is() -> None:
    tie = SignTie(frozenset({"torque", "motor_speed", "slip"}), 0.0, "it slows down")
    vehicle = Vehicle(signals={"torque": Mapped(signal="A.B", scale=-0.5)})
    doubt = turned(("motor_speed", "torque"), tie, vehicle=vehicle)
    finding = doubt.finding
    assert finding.title == "Motor speed or torque: one has the wrong sign, in 100 % of the moments"
    assert finding.next_step == (
        "Write “scale = -1” at “signals.motor_speed”; “scale = 0.5” at “signals.torque”, for the one that is wrong."
    )
    assert finding.parts == ("motor_speed", "torque")  # what is not logged is not drawn
    assert doubt.reason == "motor speed or torque: one has the wrong sign"


def test_a_motor_mounted_the_other_way_is_odd_and_nothing_is_in_doubt() -> None:
    tie = SignTie(frozenset({"torque", "motor_speed"}), 0.0, "")
    doubt = _mirrored([Turned((tie,), ())], log(part("motor_speed", 1.0), part("torque", 1.0)), PLAIN)
    finding = doubt.finding
    assert (finding.kind, finding.severity) == ("mapping.odd", Severity.INFO)
    assert (finding.start_s, finding.end_s, finding.parts) == (1.0, 99.0, ("motor_speed", "torque"))
    assert finding.title == "Motor speed is negative while the vehicle drives forward"
    assert finding.next_step == "Write “scale = -1” at “signals.motor_speed” and “signals.torque”."
    assert (doubt.doubtful, doubt.bears) == ((), False)


def test_only_speed_and_torque_may_be_mirrored(monkeypatch: pytest.MonkeyPatch) -> None:
    def groups(*names: str, suspects: tuple[str, ...] = ()) -> list[Doubt]:
        group = Turned((SignTie(frozenset(names), 0.0, ""),), suspects)
        monkeypatch.setattr(doubts, "turned", lambda ties: [group])
        return sign_doubts(log(*(part(name, 1.0) for name in names)), PLAIN)

    assert [each.finding.kind for each in groups("torque", "motor_speed", "torque_target")] == ["mapping.odd"]
    assert groups("torque", "motor_speed", "battery_current") == []
    assert [each.finding.kind for each in groups("torque", suspects=("torque",))] == ["mapping.sign"]


COLD = Cure("40 K too high", 1.0, -40.0)
TENTH = Cure("ten times too high", 0.1, 0.0)


def warm(name: str, cure: Cure, start: float = 61.4, rival: Cure | None = None, *, hot: bool = False) -> Doubt:
    wrong = WrongTemperature(name, start, "it starts high", cure, rival, hot)
    vehicle = Vehicle(signals={"coolant_temperature": Mapped(signal="A.B", scale=2.0, offset=10.0)})
    return _temperature(wrong, log(part(name, 1.0, 2.0, 3.0)), vehicle)


def test_a_temperature_in_another_unit_is_named_with_what_it_then_is_and_the_line_to_write() -> None:
    doubt = warm("coolant_temperature", COLD)
    finding = doubt.finding
    assert (finding.kind, finding.severity) == ("mapping.offset", Severity.WARNING)
    assert (finding.start_s, finding.end_s, finding.parts) == (2.0, 4.0, ("coolant_temperature",))
    assert finding.title == "Coolant temperature: probably 40 K too high, 61 °C at the start"
    assert finding.explanation.startswith(
        "Coolant temperature: it starts high. It is probably 40 K too high; corrected, it starts at 21 °C, which fits."
    )
    assert finding.next_step == (
        "Write “scale = 2, offset = -30” at “signals.coolant_temperature”, or correct its definition."
    )
    assert finding.measured == {"offset_K": Measured(40.0, "K")}
    assert finding.expected == {"factor": Measured(2.0, ""), "offset_K": Measured(-30.0, "K")}
    assert doubt.doubtful == ("coolant_temperature",)
    assert doubt.reason == "coolant temperature is probably 40 K too high"


def test_a_scale_is_mended_with_its_offset_and_a_rival_is_named() -> None:
    doubt = warm("coolant_temperature", TENTH, 2500.0, COLD)
    assert doubt.finding.kind == "mapping.scale"
    assert "2,500 °C at the start" in doubt.finding.title
    assert "ten times too high, or 40 K too high; corrected, it starts at 250 °C" in doubt.finding.explanation
    assert "Write “scale = 0.2, offset = 1” at" in doubt.finding.next_step
    assert doubt.finding.measured == {"ratio": Measured(10.0, "")}
    assert doubt.reason.endswith("ten times too high, or 40 K too high")


def test_what_would_be_a_danger_if_it_were_true_is_compared_with_a_thermometer_first() -> None:
    sink = warm("inverter_temperature", COLD, hot=True).finding.next_step
    assert sink.startswith(
        "First compare with a thermometer: if it shows 61 °C too, let it cool. Write “scale = 1, offset = -40” at"
    )
    pack = warm("battery_temperature_highest", COLD, hot=True).finding.next_step
    assert "if it shows 61 °C too, do not use the battery. " in pack
    assert "thermometer" not in warm("inverter_temperature", COLD).finding.next_step


MARKS = np.array([False, True, True, False, False, False, False, True, False, False])
CODE = Encoding(16, False, 0.25, 0.0)


def test_marks_are_counted_named_raw_and_left_out() -> None:
    value = CODE.value(np.array([400, 0xFF00, 0xFF01, 400, 400, 400, 400, 0xFF00, 400, 400]))
    finding = _no_value(part("motor_speed", *value, encoding=CODE, period_s=0.1), MARKS, PLAIN)
    assert (finding.kind, finding.severity) == ("mapping.no_value", Severity.INFO)
    assert finding.title == ("Motor speed: 3 of 10 readings are “no value” (raw 0xFF00, 0xFF01, read as 16320 rpm)")
    assert finding.explanation == (
        "3 of 10 readings are raw 0xFF00, 0xFF01, read as 16320 rpm: a mark for “no value”, or a sensor at the end of "
        "its range. They were left out; 7 readings remain."
    )
    assert finding.next_step.startswith("No action if the device was starting or stopping then.")
    assert finding.measured == {"count": Measured(3.0, ""), "share_percent": Measured(pytest.approx(30.0), "%")}
    assert [(round(each.start_s, 6), round(each.end_s, 6)) for each in finding.events] == [(2.1, 2.2), (2.7, 2.7)]
    assert (finding.start_s, finding.end_s) == pytest.approx((2.1, 2.7))
    assert finding.evidence.as_logged
    assert finding.parts == ("motor_speed",)


def test_marks_of_most_readings_leave_a_part_unknown() -> None:
    value = np.full(12, 65535.0)
    finding = _no_value(part("motor_speed", *value), np.arange(12) > 3, PLAIN)
    assert finding.severity is Severity.WARNING
    assert "Motor speed is unknown in this log, so nothing that needs it was checked." in finding.explanation
    assert finding.next_step.startswith("Check what “signals.motor_speed” names.")
    assert "(65535)" in finding.title


def test_three_raw_values_are_named_the_commonest_first_and_a_state_by_its_text() -> None:
    raw = [0xFF03, 0xFF02, 0xFF02, 0xFF01, 0xFF01, 0xFF01, 0xFF04, 0xFF04, 0xFF04, 0xFF04]
    every = np.ones(10, bool)
    speed = part("motor_speed", *CODE.value(np.array(raw)), encoding=CODE)
    assert "(raw 0xFF04, 0xFF01, 0xFF02, …, read as 16321 rpm)" in _no_value(speed, every, PLAIN).title
    code = Encoding(2, False, 1.0, 0.0)
    state = Part("main_contactor", np.arange(10.0), np.full(10, 3.0), "", "A.B", labels={3.0: "SNA"}, encoding=code)
    assert "(raw 0x3, read as SNA)" in _no_value(state, every, PLAIN).title
    bare = Part("main_contactor", np.arange(10.0), np.full(10, 3.0), "", "A.B", encoding=code)
    assert "(raw 0x3)" in _no_value(bare, every, PLAIN).title


def test_the_time_before_a_controller_wakes_does_not_count_unless_little_is_left() -> None:
    for left, mostly in ((10, False), (9, True)):
        samples = np.array([True] * 50 + [False] * left + [True] * 50)
        assert _mostly(samples) is mostly
    for before, after in ((50, 0), (0, 50), (1, 1)):
        samples = np.array([True] * before + [False] * 5 + [True] * 10 + [False] * 5 + [True] * after)
        assert not _mostly(samples)  # half of those from the first reading to the last
    for marks, mostly in ((12, False), (13, True)):
        assert _mostly(np.array([False] * 6 + [True] * marks + [False] * 6)) is mostly


def test_readings_of_a_controller_that_starts_are_counted_and_named() -> None:
    made = part("dc_link_voltage", 0.0, 4.0, 0.0, 7.0, 9.0, 300.0, unit="V")
    finding = _waking(made, np.arange(6) < 5)
    assert (finding.kind, finding.severity) == ("mapping.waking", Severity.INFO)
    assert finding.title == "DC-link voltage: 5 readings left out while its controller started (0 V and 4 V and 7 V)"
    assert "DC-link voltage cannot change from there" in finding.explanation
    assert finding.explanation.endswith("They were left out.")
    assert (finding.start_s, finding.end_s) == (2.0, 6.0)
    one = _waking(made, np.arange(6) < 1)
    assert "1 reading left out while its controller started (0 V)" in one.title
    assert one.explanation.endswith("It was left out.")


def test_two_hundred_episodes_are_listed_and_the_last_ends_the_finding() -> None:
    chosen = np.arange(500) % 2 == 1
    finding = _waking(part("motor_speed", *np.zeros(500)), chosen)
    apart = Part("motor_speed", np.arange(500) * 1.0, np.zeros(500), "rpm", "A.B")
    assert len(_waking(apart, np.arange(500) % 10 == 0).events) == 50
    assert len(finding.events) == 1
    many = Part("motor_speed", np.arange(4000) * 1.0, np.zeros(4000), "rpm", "A.B")
    finding = _waking(many, np.arange(4000) % 10 == 0)
    assert len(finding.events) == 200
    assert (finding.start_s, finding.end_s) == (0.0, 3990.0)


def test_what_is_left_out_is_left_out_of_the_signals_and_kept_for_charts() -> None:
    whole = Encoding(8, False, 1.0, 0.0)
    value = [100.0] * 9 + [255.0] * 12 + [100.0] * 9
    cleaned = clean(log(part("battery_voltage", *value, unit="V", encoding=whole, period_s=0.1)), PLAIN)
    assert cleaned.signals["battery_voltage"].value.tolist() == [100.0] * 18
    assert cleaned.originals["battery_voltage"].value.tolist() == value
    assert cleaned.signals.doubtful == {}
    many = [100.0] * 9 + [255.0] * 25 + [100.0] * 9
    cleaned = clean(log(part("battery_voltage", *many, unit="V", encoding=whole, period_s=0.1)), PLAIN)
    assert cleaned.signals.doubtful == {
        "battery_voltage": "58.1 % of the readings of battery voltage are marks for “no value”"
    }


def test_lines_of_the_vehicle_file_are_named_where_there_is_one(tmp_path: Path) -> None:
    path = tmp_path / "made.toml"
    path.write_text('[signals]\n\nmotor_speed = "A.B"\n', encoding="utf-8")
    assert line_of("motor_speed", Vehicle(path=path)) == "“signals.motor_speed” (made.toml:3)"
    assert line_of("motor_speed", PLAIN) == "“signals.motor_speed”"
    assert place_of("signals", "torque", Vehicle(path=path)) == " (made.toml:1)"  # its section
    assert place_of("motor", "pole_pairs", Vehicle(path=path)) == place_of("signals", "torque", PLAIN) == ""


def made_doubt(severity: Severity, *doubtful: str, values: tuple[tuple[str, str], ...] = ()) -> Doubt:
    return Doubt(Finding(severity.value, severity, 0.0, 1.0, "", "", "", ()), doubtful, "because", values)


def test_a_doubt_bears_where_a_part_or_a_value_is_taken_out() -> None:
    assert made_doubt(Severity.INFO, "torque").bears
    assert made_doubt(Severity.INFO, values=(("motor", "pole_pairs"),)).bears
    assert not made_doubt(Severity.INFO).bears


def test_each_relation_is_judged_on_what_those_before_it_left(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[tuple[list[str], float | None]] = []

    def relation(*found: Doubt) -> examine.Relation:
        def judge(signals: Signals, vehicle: Vehicle) -> list[Doubt]:
            seen.append((sorted(signals.parts), vehicle.limits.battery_max_V))
            return list(found)

        return judge

    first = made_doubt(Severity.INFO, "torque"), made_doubt(Severity.WARNING, values=(("limits", "battery_max_V"),))
    monkeypatch.setattr(examine, "relations", lambda: (relation(*first), relation(made_doubt(Severity.DANGER, "slip"))))
    signals = log(part("torque", 1.0, 2.0), part("slip", 1.0, 2.0), part("throttle", 1.0, 2.0))
    found: Plausible = examine.examine(signals, Vehicle(limits=Limits(battery_max_V=400.0, aux_max_V=0.5)))
    assert seen == [(["slip", "throttle", "torque"], 400.0), (["slip", "throttle"], None)]
    assert [each.kind for each in found.findings] == ["danger", "mapping.configuration", "warning", "info"]
    assert list(found.signals.parts) == ["throttle"]
    assert set(found.doubted) == {"torque", "slip"}
    assert found.signals.doubtful == {"torque": "because", "slip": "because"}
    assert (found.vehicle.limits.battery_max_V, found.vehicle.limits.aux_max_V) == (None, None)


@pytest.mark.parametrize(
    ("value", "kept"),
    [
        ([100.0, 48.0] * 10, False), ([100.0, 52.0] * 10, True), ([100.0, 0.0] * 10, False),
        ([100.0, 0.0] * 4 + [0.0] * 20, True),  # four high readings after a leap
        ([100.0, 0.0] * 5 + [0.0] * 20, True), ([0.0, 100.0] * 5 + [0.0] * 20, False), ([0.0] * 20, True),
        ([100.0, 0.0, 100.0, 0.0], True), ([29.0, 0.0] * 20 + [100.0] * 20, True),
        ([31.0, -29.0] * 20 + [100.0] * 20, False),
    ],
)  # fmt: skip
def test_a_quantity_does_not_leap_away_by_half_of_its_highest_reading(value: list[float], kept: bool) -> None:
    """Judged by readings above 30 % of the highest, in the middle of their leaps; five of them at the fewest."""
    assert ("torque" in coherent(log(part("torque", *value))).parts) is kept
    assert "inverter_state" in coherent(log(part("inverter_state", *value))).parts
