"""COBS against the cobs library, SLIP against the programs printed in RFC 1055."""

from __future__ import annotations

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from logscope.capture.serial_binary import unpack

END, ESC, ESC_END, ESC_ESC = 0o300, 0o333, 0o334, 0o335  # as RFC 1055 gives them, in octal


def slip_sent(packet: bytes) -> bytes:
    """RFC 1055, SEND_PACKET, without the END characters around the packet."""
    sent = bytearray()
    for character in packet:
        if character == END:
            sent += bytes([ESC, ESC_END])
        elif character == ESC:
            sent += bytes([ESC, ESC_ESC])
        else:
            sent.append(character)
    return bytes(sent)


@given(st.binary())
def test_slip_gives_back_what_the_rfc_sends(packet):
    assert unpack(slip_sent(packet), "slip") == packet


@pytest.mark.parametrize("broken", [b"\xdb", b"a\xdba", b"\xdb\xdb\xdc"])
def test_a_stray_slip_escape_is_damage(broken):
    with pytest.raises(ValueError, match="SLIP"):
        unpack(broken, "slip")


@given(st.binary())
def test_cobs_gives_back_what_the_library_encodes(packet):
    assert unpack(cobs.encode(packet), "cobs") == packet


def test_a_cut_cobs_packet_is_damage():
    with pytest.raises(ValueError, match="COBS"):
        unpack(cobs.encode(b"abc")[:-1], "cobs")
