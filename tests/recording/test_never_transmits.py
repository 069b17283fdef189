"""Nothing in the package sends a frame, whatever an interface would let it."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import can
import pytest
from recording_rigs import wait_for

import logscope
from logscope.recording.can_port import open_can
from logscope.recording.clock import RecordingClock
from logscope.recording.listen_only import ACKNOWLEDGES, LISTENS, NO_WIRE, listening, socketcan_listening
from logscope.recording.recorder import Recorder, Request
from logscope.recording.specs import CanSpec

PACKAGE = Path(logscope.__file__).parent
SENDING = {"send", "send_periodic", "sendto", "sendmsg", "sendall", "ThreadBasedCyclicSendTask"}


class ReadOnlyBus:
    """A bus of which anything but reading and closing is an error."""

    def __init__(self, **arguments: Any) -> None:
        self.arguments = arguments
        self.reads = 0

    def recv(self, timeout: float) -> can.Message | None:
        self.reads += 1
        return can.Message(arbitration_id=1, data=b"a", timestamp=float(self.reads)) if self.reads % 3 else None

    def shutdown(self) -> None:
        pass

    def __getattr__(self, name: str) -> Any:
        raise AssertionError(f"the recorder asked a bus for “{name}”")


def test_a_recording_only_reads_and_closes_its_bus(tmp_path: Path) -> None:
    clock, buses = RecordingClock(), []

    def open_bus(**arguments: Any) -> ReadOnlyBus:
        buses.append(ReadOnlyBus(**arguments))
        return buses[-1]

    spec = CanSpec("can0", "pcan", "PCAN_USBBUS1", 500_000)
    recorder = Recorder(
        Request([spec], [], tmp_path / "drive"), clock, ports={"can0": lambda: open_can(spec, clock, open_bus)}
    )
    recorder.start()
    wait_for(lambda: recorder.status()[0].count > 100)
    recorder.stop()
    (bus,) = buses
    assert bus.arguments["state"] is can.BusState.PASSIVE


def test_nothing_in_the_package_calls_what_sends() -> None:
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute):
                assert node.attr not in SENDING, f"{path.relative_to(PACKAGE)}:{node.lineno}"


def test_a_serial_port_is_written_to_at_one_place_alone() -> None:
    found = [
        path.name
        for path in (PACKAGE / "recording").glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr == "write" and "_port" in ast.unparse(node.value)
    ]
    assert found == ["serial_port.py"]


@pytest.mark.parametrize("interface", sorted(map(str, can.VALID_INTERFACES)))
def test_every_interface_of_python_can_says_how_quiet_it_is(interface: str) -> None:
    how = listening(interface, "0")
    assert how.text
    assert bool(how.arguments) == (how.text == LISTENS or bool(how.arguments))


def test_what_the_system_says_of_a_link_decides() -> None:
    def link(kind: str, *modes: str) -> dict[str, Any]:
        data = {"ctrlmode": list(modes), "bittiming": {"bitrate": 250_000}}
        return {"ifname": "can0", "linkinfo": {"info_kind": kind, "info_data": data}}

    assert socketcan_listening("can0", link("can", "LISTEN-ONLY")) == LISTENS
    assert "bitrate 250000 listen-only on" in socketcan_listening("can0", link("can", "LOOPBACK"))
    assert socketcan_listening("vcan0", link("vcan")) == NO_WIRE
    assert "cannot be seen" in socketcan_listening("can0", None)
    assert "cannot be seen" in socketcan_listening("can0", {})
    assert listening("canalystii", "0").text == ACKNOWLEDGES


def test_the_arguments_that_silence_an_interface_are_those_of_its_constructor() -> None:
    """As python-can's source has them; the drivers themselves need not be installed."""
    import inspect

    from can.interfaces import BACKENDS

    folder = Path(can.__file__).parent
    for interface, (module, _) in BACKENDS.items():
        arguments = listening(interface, "0").arguments
        place = folder.parent / (module.replace(".", "/") + ".py")
        place = place if place.exists() else place.with_suffix("") / "__init__.py"
        texts = [path.read_text(encoding="utf-8") for path in place.parent.glob("*.py")] if arguments else []
        for name in arguments:
            assert any(f"{name}:" in text or f'"{name}"' in text or f"{name}=" in text for text in texts), interface
    assert inspect.isclass(can.Bus) or callable(can.Bus)
