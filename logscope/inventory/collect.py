"""Count what is in a log, block by block; memory grows with the identifiers, not with the frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from logscope.bus.bit_rate import BitRate, bit_rate_of, given_rate, rates_by_bus, refuse_unknown_buses
from logscope.bus.error_frames import class_counts
from logscope.bus.facts import BusFacts, MessageFacts
from logscope.bus.gather import BusGathering
from logscope.bus.load import load_of
from logscope.bus.naming import Specs, spec_of, specs_by_key
from logscope.bus.period import pace_of
from logscope.bus.waits import longest_waits
from logscope.capture.frames import Account, Block
from logscope.definitions.skipped import Skipped
from logscope.definitions.spec import MessageSpec


@dataclass(frozen=True, slots=True)
class Message:
    """One identifier on one bus.

    name : of its definition, None without one; extended : whether the identifier has 29 bits
    period_s : median time from frame to frame; jitter_s : half the width of the middle half of these times
        (None with fewer than three frames); longest_gap_s : the longest
    longest_wait_s : for the bus, calculated from its bit rate and all messages (`bus.waits`); None where it cannot be
    periodic : whether it repeats with a period, rather than on events
    shortest, longest : payload bytes; changing : for each byte whether it ever changed
    first_s, last_s : seconds from the capture's start
    """

    bus: str
    identifier: int
    extended: bool
    name: str | None
    count: int
    period_s: float | None
    jitter_s: float | None
    longest_gap_s: float | None
    longest_wait_s: float | None
    periodic: bool
    shortest: int
    longest: int
    changing: tuple[bool, ...]
    first_s: float
    last_s: float

    @property
    def identifier_text(self) -> str:
        """As it is usually written: 3 hexadecimal digits, or 8 for 29 bits."""
        return f"{self.identifier:08X}" if self.extended else f"{self.identifier:03X}"


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus.

    frames : on the wire; unlisted_frames : among them, of identifiers beyond those that are listed
    transmit_requests : of the logger itself, logged besides their frames
    mean_bits_per_s, busiest_bits_per_s : bits on the wire, with exact stuffing; the busiest second is any second of the
        log, and never below its mean, though in a short log each single second can hold less (silence in its middle)
    lower_bound : whether the bits are a lower bound: those of CAN FD frames at a faster rate are not counted
    bit_rate : given, or inferred from the spacing of frames; None where it is unknown; bit_rate_source : which of them
    bit_rate_contradicted : whether the log shows that the given one is wrong; bit_rate_seen : as the spacing shows it
    mean_load, busiest_load : as fractions of the bit rate, None where it is unknown
    errors : error frames by class
    """

    name: str
    frames: int
    unlisted_frames: int
    remote_frames: int
    error_frames: int
    transmit_requests: int
    mean_bits_per_s: float
    busiest_bits_per_s: float
    lower_bound: bool
    bit_rate: int | None
    bit_rate_source: str
    bit_rate_contradicted: bool
    bit_rate_seen: int | None
    mean_load: float | None
    busiest_load: float | None
    errors: dict[str, int]


@dataclass(frozen=True, slots=True)
class Inventory:
    """What a log holds. unseen : names of defined messages that never occur; skipped : of the definition files."""

    account: Account
    duration_s: float
    buses: tuple[Bus, ...]
    messages: tuple[Message, ...]
    unseen: tuple[str, ...]
    skipped: tuple[Skipped, ...] = ()


def count_frames(
    blocks: Iterable[Block],
    definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]] = (),
    stated: Mapping[str | None, int] | None = None,
    bit_rate: int | Mapping[str | None, int] | None = None,
) -> Inventory:
    """Count the frames of a log.

    definitions : (bus or None for every bus, messages), to name the identifiers
    stated, bit_rate : by bus, or for every bus under None [bit/s], in the vehicle file and for this call; where there
        is none it is inferred, see `bus.bit_rate`
    """
    gathering = BusGathering()
    account = Account()
    for block in gathering.watch(blocks):
        account += block.account
    traffic = gathering.traffic()
    refuse_unknown_buses(bit_rate, traffic)
    given = rates_by_bus(stated or {}, bit_rate)
    specs = specs_by_key(definitions)
    rates = {bus.name: bit_rate_of(bus, given_rate(bus.name, given)) for bus in traffic.buses}
    waits = {
        id(each.message): each.worst_s
        for bus in traffic.buses
        if (rate := rates[bus.name]).value is not None and not rate.contradicted
        for each in longest_waits(bus, rate.value)
    }
    messages = tuple(
        _message(each, traffic.start_ns, specs, waits.get(id(each))) for bus in traffic.buses for each in bus.messages
    )
    seen = {message.name for message in messages}
    defined = dict.fromkeys(spec.name for _, of in definitions for spec in of)
    duration_s = (traffic.end_ns - traffic.start_ns) / 1e9
    return Inventory(
        account=account,
        duration_s=duration_s,
        buses=tuple(_bus(bus, duration_s, rates[bus.name]) for bus in traffic.buses),
        messages=messages,
        unseen=tuple(name for name in defined if name not in seen),
    )


def _message(facts: MessageFacts, start_ns: int, specs: Specs, longest_wait_s: float | None) -> Message:
    spec = spec_of(facts.bus, facts.identifier, facts.extended, specs)
    pace = pace_of(facts.intervals_s)
    only = float(facts.intervals_s[0]) if facts.intervals_s.size else None
    return Message(
        bus=facts.bus,
        identifier=facts.identifier,
        extended=facts.extended,
        name=None if spec is None else spec.name,
        count=facts.count,
        period_s=only if pace is None else pace.typical_s,
        jitter_s=None if pace is None else pace.spread_s,
        longest_gap_s=max((each.length_ns / 1e9 for each in facts.silences), default=only),
        longest_wait_s=longest_wait_s,
        periodic=pace is not None and pace.periodic,
        shortest=facts.shortest,
        longest=facts.longest,
        changing=facts.changing,
        first_s=(facts.first_ns - start_ns) / 1e9,
        last_s=(facts.last_ns - start_ns) / 1e9,
    )


def _bus(facts: BusFacts, duration_s: float, rate: BitRate) -> Bus:
    load = load_of(facts, duration_s, rate)
    return Bus(
        name=facts.name,
        frames=facts.frames,
        unlisted_frames=facts.unlisted,
        remote_frames=facts.remotes,
        error_frames=facts.errors.count,
        transmit_requests=facts.requests,
        mean_bits_per_s=load.mean_bits_per_s,
        busiest_bits_per_s=load.busiest_bits_per_s,
        lower_bound=load.lower_bound,
        bit_rate=rate.value,
        bit_rate_source=rate.source.value,
        bit_rate_contradicted=rate.contradicted,
        bit_rate_seen=rate.inferred,
        mean_load=load.mean,
        busiest_load=load.busiest,
        errors=class_counts(facts.errors),
    )
