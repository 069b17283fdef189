"""The buses of a log beside what the user says of them, as the checks see them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from logscope.bus.bit_rate import BitRate, bit_rate_of, given_rate
from logscope.bus.facts import BusFacts, MessageFacts, Traffic
from logscope.bus.naming import Specs, spec_of
from logscope.definitions.spec import MessageSpec


@dataclass(frozen=True, slots=True, eq=False)
class BusRecord:
    """The traffic of a log with names and stated bit rates.

    specs : the definitions by bus and key; bit_rates : as stated [bit/s], by bus, None for every other bus
    start_ns : the capture's start, from which seconds count
    """

    traffic: Traffic
    start_ns: int = 0
    specs: Specs = field(default_factory=dict)
    bit_rates: Mapping[str | None, int] = field(default_factory=dict)

    def seconds(self, stamp_ns: int) -> float:
        """A stamp in seconds from the capture's start."""
        return (stamp_ns - self.start_ns) / 1e9

    def rate(self, bus: BusFacts) -> BitRate:
        """The bit rate of a bus, stated or inferred."""
        return bit_rate_of(bus, given_rate(bus.name, self.bit_rates))

    def spec(self, message: MessageFacts) -> MessageSpec | None:
        """The definition of a message, if it has one."""
        return spec_of(message.bus, message.identifier, message.extended, self.specs)

    def name(self, message: MessageFacts) -> str:
        """What a message is called: by its definition, or by its identifier."""
        spec = self.spec(message)
        return f"0x{message.identifier_text}" if spec is None else spec.name

    def sender(self, message: MessageFacts) -> str | None:
        """The node that sends a message by its definition, where that names one."""
        spec = self.spec(message)
        return spec.senders[0] if spec is not None and len(spec.senders) == 1 else None
