"""KCD files give one name to signals in several multiplexer branches. The oracle is cantools, reading without its check
for overlaps, which takes namesakes for one another."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from cantools.database import load_string
from hypothesis import given, settings
from hypothesis import strategies as st

import logscope
from logscope.definitions.can import load_definitions
from logscope.errors import DefinitionError, VehicleError

KCD = """<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document name="Hazel"/><Bus name="b">
<Message id="0x100" length="8" name="Values">
{}
<Signal name="Always" offset="56" length="8"/>
</Message>
</Bus></NetworkDefinition>"""


def _signal(name: str, offset: int, length: int, slope: float = 1, kind: str = "unsigned", unit: str = "") -> str:
    value = f'<Value slope="{slope:g}" type="{kind}" unit="{unit}"/>'
    return f'<Signal name="{name}" offset="{offset}" length="{length}">{value}</Signal>'


def _multiplexed(branches: dict[int, list[str]], name: str = "Mode", offset: int = 0) -> str:
    groups = "".join(f'<MuxGroup count="{n}">{"".join(signals)}</MuxGroup>' for n, signals in branches.items())
    return f'<Multiplex name="{name}" offset="{offset}" length="8">{groups}</Multiplex>'


def _written(folder: Path, content: str) -> Path:
    path = folder / "values.kcd"
    path.write_text(KCD.format(content), encoding="utf-8")
    return path


def _log(folder: Path, payloads: list[bytes], identifier: int = 0x100) -> Path:
    path = folder / "a.log"
    lines = [f"({k / 100:.6f}) can0 {identifier:03X}#{data.hex().upper()}\n" for k, data in enumerate(payloads)]
    path.write_text("".join(lines), encoding="ascii")
    return path


def _placed(name: str, offset: int, *rest: Any) -> str:
    """Values lie in front of the others, so that no two overlap in a branch: cantools cannot read such."""
    return _signal(name, offset + 24 * (name == "Other"), *rest)


_SIGNALS = st.tuples(
    st.sampled_from(["Value", "Other"]),
    st.integers(8, 15),
    st.integers(1, 16),
    st.sampled_from([1.0, 0.5, 0.1]),
    st.sampled_from(["signed", "unsigned"]),
)
_GROUPS = st.dictionaries(
    st.integers(0, 5), st.lists(_SIGNALS, min_size=1, max_size=2, unique_by=lambda signal: signal[0]), min_size=1
)


@settings(max_examples=40)
@given(_GROUPS, st.lists(st.tuples(st.integers(0, 7), st.binary(min_size=7, max_size=7)), min_size=1, max_size=12))
def test_each_frame_has_the_value_of_its_branch(
    groups: dict[int, list[tuple[str, int, int, float, str]]], frames: list[tuple[int, bytes]]
) -> None:
    payloads = [bytes([selected]) + rest for selected, rest in frames]
    with TemporaryDirectory() as folder:
        content = _multiplexed({n: [_placed(*signal) for signal in signals] for n, signals in groups.items()})
        path = _written(Path(folder), content)
        theirs = load_string(path.read_text(encoding="utf-8"), "kcd", strict=False).messages[0]
        table = logscope.decode(_log(Path(folder), payloads), definitions=path)["Values"]
    for row, payload in zip(table.to_dict("records"), payloads, strict=True):
        assert row["Mode"] == payload[0]
        assert row["Always"] == payload[7]
        expected = theirs.decode(payload, decode_choices=False) if payload[0] in groups else {}
        for name in ("Value", "Other"):
            if name in row:
                np.testing.assert_allclose(row[name], float(expected.get(name, np.nan)), rtol=1e-12)
            else:
                assert name not in expected


def test_a_sound_file_has_nothing_to_report(tmp_path: Path) -> None:
    content = _multiplexed({0: [_signal("Value", 8, 8), _signal("Volt", 16, 16)], 1: [_signal("Value", 16, 16, 0.1)]})
    found = load_definitions(_written(tmp_path, content))
    assert found.skipped == ()
    (value,) = (signal for signal in found.messages[0].signals if signal.name == "Value")
    assert len(value.variants) == 2
    assert value.step == 1


def test_signals_that_truly_overlap_are_still_reported(tmp_path: Path) -> None:
    content = _multiplexed({0: [_signal("Value", 8, 16), _signal("Volt", 16, 16)], 1: [_signal("Value", 8, 8)]})
    (place,) = load_definitions(_written(tmp_path, content)).skipped
    assert place.kept
    assert "overlaps" in place.reason


@pytest.mark.parametrize(("units", "names"), [(("V", "V"), {"Value"}), (("V", "A"), {"Value", "Value@Mode=1"})])
def test_namesakes_of_different_units_stay_apart(tmp_path: Path, units: tuple[str, str], names: set[str]) -> None:
    groups = {n: [_signal("Value", 8, 8, unit=unit)] for n, unit in enumerate(units)}
    (message,) = load_definitions(_written(tmp_path, _multiplexed(groups))).messages
    assert set(message.by_name) == {"Mode", "Always", *names}


def test_namesakes_that_one_frame_can_hold_stay_apart(tmp_path: Path) -> None:
    content = _multiplexed({0: [_signal("X", 16, 8)]}, "A") + _multiplexed({0: [_signal("X", 24, 8)]}, "B", 8)
    log = _log(tmp_path, [bytes([0, 0, 1, 2, 0, 0, 0, 0]), bytes([1, 0, 1, 2, 0, 0, 0, 0])])
    table = logscope.decode(log, definitions=_written(tmp_path, content))["Values"]
    np.testing.assert_array_equal(table["X"], [1, np.nan])
    np.testing.assert_array_equal(table["X@B=0"], [2, 2])


def test_namesakes_that_are_set_apart_are_reported(tmp_path: Path) -> None:
    content = _multiplexed({0: [_signal("Value", 8, 8), _signal("Value", 16, 8)]})
    (place,) = load_definitions(_written(tmp_path, content)).skipped
    assert place.kept
    assert "Value@Mode=0" in place.text


def test_three_of_one_name_in_one_branch_are_refused(tmp_path: Path) -> None:
    content = _multiplexed({0: [_signal("Value", at, 8) for at in (8, 16, 24)]})
    with pytest.raises(DefinitionError, match="Value"):
        load_definitions(_written(tmp_path, content))


def test_a_signal_wider_than_64_bits_is_named(tmp_path: Path) -> None:
    path = tmp_path / "wide.dbc"
    path.write_text(
        'VERSION ""\nBU_: X\nBO_ 256 Wide: 16 X\n SG_ Serial : 0|96@1+ (1,0) [0|0] "" X\n'
        ' SG_ After : 96|8@1+ (1,0) [0|0] "" X\n',
        encoding="utf-8",
    )
    log = tmp_path / "a.log"
    log.write_text("(0.000000) can0 100##0000102030405060708090A0B0C0D0E0F\n", encoding="ascii")
    table = logscope.decode(log, definitions=path)["Wide"]
    assert table["After"].tolist() == [0x0C]
    assert table.attrs["not_decoded"] == ["Serial"]
    vehicle = tmp_path / "v.toml"
    vehicle.write_text('[[can]]\ndefinitions = "wide.dbc"\n[signals]\nmotor_speed = "Wide.Serial"\n', encoding="utf-8")
    with pytest.raises(VehicleError, match=r"v\.toml:4: .*wider than 64 bits"):
        logscope.check(log, vehicle)
