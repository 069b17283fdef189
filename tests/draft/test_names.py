"""What names say: words of the trade in English and German. Common practice, no published source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.draft.names import meanings, split_name
from logscope.draft.words import Word


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("DcLinkVoltage", "LINK VOLTAGE"),
        ("DCLink_U", "LINK VOLTAGE"),
        ("Zwischenkreisspannung", "LINK VOLTAGE"),
        ("Uzk", "LINK VOLTAGE"),
        ("motor_speed_req", "MOTOR SPEED TARGET"),
        ("Motordrehzahl", "MOTOR SPEED"),
        ("nMot", "MOTOR SPEED"),
        ("Istdrehmoment", "TORQUE"),
        ("SollMoment", "TARGET TORQUE"),
        ("Vorladerelais", "CONTACTOR PRECHARGE"),
        ("HauptschützPlus", "CONTACTOR POSITIVE"),
        ("Minusschuetz", "CONTACTOR NEGATIVE"),
        ("Fahrpedalstellung", "THROTTLE"),
        ("AccelPedal2", "SECOND THROTTLE"),
        ("PackCurrentMax", "CURRENT HIGHEST PACK"),
        ("CellVoltage", "CELL VOLTAGE"),
        ("StateOfCharge", "CHARGE_LEVEL"),
        ("DCDC_Out", "CONVERTER OUTLET"),
        ("Batt12V", "AUX PACK VOLTAGE"),
        ("HeatSinkTemp", "INVERTER TEMPERATURE"),
        ("MotorControllerTemp", "INVERTER TEMPERATURE"),
        ("Kühlmitteltemperatur", "COOLANT TEMPERATURE"),
        ("OVER_CURRENT", "OVERCURRENT"),
        ("Überstrom", "OVERCURRENT"),
        ("torq_is", "TORQUE"),
        ("Iph", "MOTOR CURRENT"),
        ("errcode", "FAULT"),
        ("Sig17", ""),
        ("linkvoltage", "LINK VOLTAGE"),  # one word, not “volt” and “age”
        ("mainsvoltage", "INPUT VOLTAGE"),
        ("spannungswandlerstrom", "CONVERTER CURRENT"),
    ],
)
def test_meanings_of_a_name(name: str, words: str) -> None:
    assert meanings(name) == {Word[word] for word in words.split()}


@given(st.text())
def test_any_name_is_split_into_its_own_characters(name: str) -> None:
    meanings(name)
    assert all(piece and piece == piece.lower() for piece in split_name(name))


@given(st.lists(st.sampled_from(["motor", "speed", "link", "voltage", "request"]), min_size=1, max_size=4))
def test_the_way_of_joining_words_does_not_matter(words: list[str]) -> None:
    joined = {"_".join(words), "".join(map(str.capitalize, words)), " ".join(words).upper()}
    assert len({meanings(name) for name in joined}) == 1
