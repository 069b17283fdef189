"""What is to be recorded, as the command line names it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from logscope.errors import RequestError

_CAN = re.compile(r"(?:(?P<bus>[\w.-]+)=)?(?P<interface>[a-z_0-9]+):(?P<channel>.+?)(?:@(?P<bit_rate>\d+))?", re.ASCII)
_SERIAL = re.compile(r"(?P<port>.+?)@(?P<baud>\d+):(?P<definition>.+)")
_BUS_NAME = re.compile(r"[A-Za-z][\w.-]*", re.ASCII)  # what stands as a word in a line of the log and in a file's name


@dataclass(frozen=True, slots=True)
class CanSpec:
    """A CAN adapter: the bus's name in the log, python-can's interface and channel, and the bit rate where stated."""

    bus: str
    interface: str
    channel: str
    bit_rate: int | None = None

    @property
    def text(self) -> str:
        """As the command line has it."""
        rate = "" if self.bit_rate is None else f"@{self.bit_rate}"
        return f"{self.interface}:{self.channel}{rate}"


@dataclass(frozen=True, slots=True)
class SerialSpec:
    """A console: its name by its definition, the port, the rate, the definition, and what is sent to it once."""

    name: str
    port: str
    baud: int
    definition: Path
    send_once: bytes = b""

    @property
    def text(self) -> str:
        """As the command line has it."""
        return f"{self.port}@{self.baud}"


def can_specs(given: Sequence[str], bit_rates: Mapping[str | None, int]) -> list[CanSpec]:
    """The adapters that `--can` names.

    given : `[BUS=]INTERFACE:CHANNEL[@BITRATE]`; without BUS the channel names the bus where it can, as with can0;
        otherwise buses are can0, can1 … in the order given
    bit_rates : of the vehicle file by bus, None for every other bus; used where none is given

    Raises RequestError for what cannot be read, and for two adapters of one bus.
    """
    specs: list[CanSpec] = []
    for place, text in enumerate(given):
        found = _CAN.fullmatch(text)
        if found is None:
            raise RequestError(
                f"“--can {text}” does not name an adapter",
                do="Write INTERFACE:CHANNEL@BITRATE, such as socketcan:can0 or slcan:COM3@500000.",
            )
        named = found["bus"] or (found["channel"] if _names_a_bus(found["interface"], found["channel"]) else None)
        bus = named or f"can{place}"
        rate = int(found["bit_rate"]) if found["bit_rate"] else bit_rates.get(bus, bit_rates.get(None))
        specs.append(CanSpec(bus, found["interface"], found["channel"], rate))
    _refuse_two([spec.bus for spec in specs], "buses", "Name each: --can body=slcan:COM4@500000.")
    return specs


def _names_a_bus(interface: str, channel: str) -> bool:
    return interface in ("socketcan", "virtual") and _BUS_NAME.fullmatch(channel) is not None


def serial_specs(given: Sequence[str], send_once: Sequence[str]) -> list[SerialSpec]:
    """The consoles that `--serial` names.

    given : `PORT@BAUD:DEFINITION`; send_once : for each console in order, a text that is sent once with a line end

    Raises RequestError for what cannot be read, DefinitionError where a definition cannot be used.
    """
    from logscope.definitions.serial import load_serial_definition

    specs: list[SerialSpec] = []
    for text in given:
        found = _SERIAL.fullmatch(text)
        if found is None:
            raise RequestError(
                f"“--serial {text}” does not name a console",
                do="Write PORT@BAUD:DEFINITION, such as COM4@115200:console.toml.",
            )
        definition = Path(found["definition"])
        name = load_serial_definition(definition).name
        specs.append(SerialSpec(_file_name(name), found["port"], int(found["baud"]), definition))
    if len(send_once) > len(specs):
        raise RequestError(
            f"--send-once is given {len(send_once)} times for {len(specs)} consoles",
            do="Give it once for each --serial, in order.",
        )
    _refuse_two([spec.name for spec in specs], "consoles", "Give each console a name of its own in its definition.")
    asked = [*send_once, *[""] * (len(specs) - len(send_once))]
    return [
        replace(spec, send_once=f"{text}\r\n".encode()) if text else spec
        for spec, text in zip(specs, asked, strict=True)
    ]


def _file_name(name: str) -> str:
    """A console's name as it can stand in the name of a file."""
    return re.sub(r"[^\w-]+", "-", name, flags=re.ASCII).strip("-").casefold() or "console"


def refuse_shared_names(cans: Iterable[CanSpec], serials: Iterable[SerialSpec]) -> None:
    """Refuse a console that would have the files of a bus."""
    _refuse_two(
        [spec.bus.casefold() for spec in cans] + [spec.name for spec in serials],
        "sources",
        "Rename the console in its definition.",
    )


def _refuse_two(names: Sequence[str], what: str, do: str) -> None:
    twice = next((name for k, name in enumerate(names) if name in names[:k]), None)
    if twice is not None:
        raise RequestError(f"two {what} are called “{twice}”", do=do)
