"""What the command line names: adapters, consoles, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from recording_rigs import write_console

from logscope.errors import RequestError
from logscope.recording.specs import CanSpec, can_specs, refuse_shared_names, serial_specs


@pytest.mark.parametrize(
    ("text", "spec"),
    [
        ("socketcan:can1", CanSpec("can1", "socketcan", "can1", None)),
        ("socketcan:can1@250000", CanSpec("can1", "socketcan", "can1", 250_000)),
        ("slcan:/dev/ttyACM0@500000", CanSpec("can0", "slcan", "/dev/ttyACM0", 500_000)),
        ("body=slcan:COM3@500000", CanSpec("body", "slcan", "COM3", 500_000)),
        ("udp_multicast:ff15:7079:7468::1", CanSpec("can0", "udp_multicast", "ff15:7079:7468::1", None)),
        ("pcan:PCAN_USBBUS1@1000000", CanSpec("can0", "pcan", "PCAN_USBBUS1", 1_000_000)),
    ],
)
def test_an_adapter_is_named_by_interface_channel_and_bit_rate(text: str, spec: CanSpec) -> None:
    assert can_specs([text], {}) == [spec]


def test_the_bit_rate_of_the_vehicle_file_serves_where_none_is_given() -> None:
    given = can_specs(["slcan:COM3", "can1=slcan:COM4", "can2=slcan:COM5@125000"], {"can1": 250_000, None: 500_000})
    assert [spec.bit_rate for spec in given] == [500_000, 250_000, 125_000]


@pytest.mark.parametrize("text", ["can0", "", ":can0", "socketcan:", "socket can:can0"])
def test_what_names_no_adapter_is_refused(text: str) -> None:
    with pytest.raises(RequestError, match="does not name an adapter"):
        can_specs([text], {})


def test_two_adapters_of_one_bus_are_refused() -> None:
    with pytest.raises(RequestError, match="two buses are called “can0”"):
        can_specs(["socketcan:can0", "can0=slcan:COM3@500000"], {})


def test_a_console_is_named_by_port_rate_and_definition(tmp_path: Path) -> None:
    folder = tmp_path / "my consoles"
    folder.mkdir()
    definition = write_console(folder)
    for port in ("COM4", "/dev/ttyUSB0", "loop://", "socket://localhost:7000"):
        (spec,) = serial_specs([f"{port}@115200:{definition}"], [])
        assert (spec.port, spec.baud, spec.definition, spec.name) == (port, 115_200, definition, "console")
    (asked,) = serial_specs([f"COM4@9600:{definition}"], ["start"])
    assert asked.send_once == b"start\r\n"


def test_requests_that_do_not_fit_their_consoles_are_refused(tmp_path: Path) -> None:
    console = f"COM4@9600:{write_console(tmp_path)}"
    with pytest.raises(RequestError, match="does not name a console"):
        serial_specs(["COM4"], [])
    with pytest.raises(RequestError, match="--send-once is given 2 times for 1 consoles"):
        serial_specs([console], ["a", "b"])
    with pytest.raises(RequestError, match="two consoles"):
        serial_specs([console, console.replace("COM4", "COM5")], [])
    with pytest.raises(RequestError, match="two sources"):
        refuse_shared_names(can_specs(["Console=slcan:COM3@500000"], {}), serial_specs([console], []))
