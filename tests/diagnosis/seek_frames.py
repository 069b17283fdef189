"""Vehicles without definitions: real layouts of messages, filled with what a simulated drive does.

The layouts are those of the DBC files of the open collection opendbc (MIT licence): where its signals lie and how
wide they are. What they carry is drawn anew: quantities and states of a drive of ours, and what other controllers
send beside them (angles, accelerations, levels, a clock), with a factor, an offset, a sign and a period of each one's
own. Half of the messages are turned round byte by byte, which turns their byte order round too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from crccheck import crc

from logscope.payload.fields import Field
from logscope.simulate.can_output import Stream
from logscope.simulate.drive import Drive, simulate_drive
from logscope.simulate.hazel_bus import sent_messages
from logscope.simulate.hazel_drives import HAZEL
from logscope.simulate.sampling import sending_times
from logscope.simulate.scenarios import KeyCycle, Profile, Scenario

MESSAGES = 24
_WIDEST = 32
_PERIODS_S = (0.01, 0.02, 0.02, 0.05, 0.1, 0.1)
# The largest span that each quantity is defined for, and whether it is defined on both sides of zero.
QUANTITIES: dict[str, tuple[str, str, float, bool]] = {
    "dc_link_voltage": ("InverterHv", "DcLinkVoltage", 500.0, False),
    "battery_voltage": ("Pack", "Voltage", 500.0, False),
    "battery_current": ("Pack", "Current", 800.0, True),
    "motor_speed": ("InverterMotion", "MotorSpeed", 20000.0, True),
    "vehicle_speed": ("Road", "VehicleSpeed", 250.0, False),
    "motor_current": ("InverterCurrent", "MotorCurrent", 600.0, False),
    "torque": ("InverterMotion", "Torque", 500.0, True),
    "torque_target": ("InverterMotion", "TorqueTarget", 500.0, True),
    "throttle": ("Pedals", "Throttle", 100.0, False),
    "motor_temperature": ("Temperatures", "MotorTemperature", 250.0, True),
    "inverter_temperature": ("Temperatures", "InverterTemperature", 250.0, True),
    "coolant_temperature": ("Temperatures", "CoolantTemperature", 200.0, True),
    "aux_voltage": ("Auxiliary", "Voltage", 20.0, False),
}
STATES = {
    "precharge_relay": ("Junction", "PrechargeRelay"),
    "main_contactor": ("Junction", "MainContactor"),
    "negative_contactor": ("Junction", "NegativeContactor"),
    "brake": ("Pedals", "Brake"),
}

Values = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Truth:
    """A field as it was filled: what it carries ("" for what is none of our parts) and its encoding."""

    carries: str
    field: Field
    signed: bool
    factor: float
    offset: float


@dataclass(frozen=True, eq=False)
class Message:
    """A message of such a vehicle."""

    stream: Stream
    fields: tuple[Truth, ...]


@dataclass(frozen=True)
class Layout:
    """Where the signals of a message of the collection lie."""

    name: str
    length: int
    fields: tuple[tuple[str, Field], ...]


@cache
def layouts() -> tuple[Layout, ...]:
    """The collection's messages without multiplexing, of at most 8 bytes, whose signals do not overlap."""
    import cantools

    spec = find_spec("opendbc")
    assert spec is not None
    found = []
    for path in sorted((Path(str(spec.origin)).parent / "dbc").glob("*.dbc")):
        try:
            database: Any = cantools.database.load_file(path, strict=False)
        except Exception:  # what a strict parser refuses is no part of this score
            continue
        for message in database.messages:
            fields = tuple(
                (each.name, Field(each.start, each.length, each.byte_order == "big_endian")) for each in message.signals
            )
            places = [place for _, field in fields for place in field.positions()]
            sound = len(set(places)) == len(places) and all(0 <= place < 8 * message.length for place in places)
            narrow = all(field.bits <= _WIDEST for _, field in fields)
            if sound and narrow and 1 <= message.length <= 8 and fields and not message.is_multiplexed():
                found.append(Layout(f"{path.stem}.{message.name}", message.length, fields))
    return tuple(found)


def random_drive(seed: int) -> Drive:
    """A minute or two of driving with one precharge."""
    rng = np.random.default_rng([seed, 17])
    length = float(rng.uniform(60, 120))
    relay = float(rng.uniform(2, 5))
    at, presses, brakes = relay + 4.0, [(0.0, 0.0)], [(0.0, 0.0)]
    while at < length - 14:
        held, level = rng.uniform(2, 8), rng.uniform(0.15, 0.8)
        presses += [(at, 0.0), (at + 0.4, level), (at + held, level * rng.uniform(0.7, 1.0)), (at + held + 0.3, 0.0)]
        at += held + rng.uniform(0.5, 3)
        if rng.random() < 0.6:
            held = rng.uniform(1, 4)
            brakes += [(at, 0.0), (at + 0.2, rng.uniform(0.05, 0.25)), (at + held, 0.08), (at + held + 0.2, 0.0)]
            at += held + rng.uniform(0.5, 2)
    brakes += [(at, 0.0), (at + 0.3, 0.25), (length - 4, 0.25), (length - 3.8, 0.0)]
    scenario = Scenario(
        name=f"seek {seed}",
        duration_s=length,
        circuit=HAZEL,
        key_cycles=(KeyCycle(relay_s=relay, off_s=length - 3.0),),
        throttle=Profile(tuple(presses)),
        brake=Profile(tuple(brakes)),
        awake_s=float(rng.uniform(0.5, 1.5)),
    )
    return simulate_drive(scenario, seed)


def vehicle(seed: int, drive: Drive | None = None) -> list[Message]:
    """The messages of a vehicle without definitions, on one bus."""
    rng = np.random.default_rng([seed, 18])
    drive = drive or random_drive(seed)
    sources = _sources(drive, seed)
    known = layouts()
    picked = [known[k] for k in rng.choice(len(known), MESSAGES, replace=False)]
    wide = [(layout, name) for layout in picked for name, f in layout.fields if f.bits >= 8 and not _check_name(name)]
    single = [(layout, name) for layout in picked for name, f in layout.fields if f.bits == 1]
    cast = _cast(rng, wide, [*QUANTITIES], picked) | _cast(rng, single, [*STATES], picked)
    identifiers = rng.choice(np.arange(0x80, 0x700), MESSAGES, replace=False)
    return [
        _message(rng, layout, int(identifier), cast, sources, drive.scenario.duration_s)
        for layout, identifier in zip(picked, identifiers, strict=True)
    ]


Cast = dict[tuple[str, str], str]


def _cast(rng: np.random.Generator, places: list[tuple[Layout, str]], parts: list[str], picked: list[Layout]) -> Cast:
    """Each part into a place of its own, as far as there are places."""
    order = rng.permutation(len(places))[: len(parts)]
    chosen = rng.permutation(parts)
    return {(places[k][0].name, places[k][1]): str(part) for k, part in zip(order, chosen, strict=False)}


def _message(
    rng: np.random.Generator, layout: Layout, identifier: int, cast: Cast, sources: dict[str, Values], length_s: float
) -> Message:
    mirrored = rng.random() < 0.5
    period = float(rng.choice(_PERIODS_S))
    at = sending_times(rng, period, length_s)
    rows = np.zeros((at.size, layout.length), np.uint8)
    fields, check = [], None
    for name, original in layout.fields:
        field = _turned(original, layout.length) if mirrored else original
        part = cast.get((layout.name, name), "")
        if not part and _check_name(name) == "checksum":
            if field.bits == 8 and field.within_a_byte and check is None:
                check = field
            continue
        truth, raw = _filled(rng, part, name, field, at, sources)
        fields.append(truth)
        _write(rows, field, raw)
    if check is not None:
        byte = check.positions()[0] // 8
        others = [k for k in range(layout.length) if k != byte]
        for row in rows:
            row[byte] = crc.Crc8SaeJ1850.calc(row[others].tobytes())
        fields.append(Truth("checksum", check, False, 1.0, 0.0))
    return Message(Stream("can0", identifier, False, at, rows), tuple(fields))


def _check_name(name: str) -> str:
    lower = name.casefold()
    if any(word in lower for word in ("checksum", "crc", "chks", "cksum")):
        return "checksum"
    return "counter" if any(word in lower for word in ("counter", "alive", "cnt", "_bz")) else ""


def _turned(field: Field, length: int) -> Field:
    """The field in the payload read from its last byte on."""
    places = [8 * (length - 1 - place // 8) + place % 8 for place in field.positions()]
    turned = Field(places[-1], field.bits, True) if not field.big_endian else Field(places[0], field.bits)
    assert list(turned.positions()) == places or field.within_a_byte
    return turned if not field.within_a_byte else Field(min(places), field.bits)


def _write(rows: np.ndarray, field: Field, raw: np.ndarray) -> None:
    for power, place in enumerate(field.positions()):
        rows[:, place // 8] |= ((raw >> power & 1) << (place % 8)).astype(np.uint8)


def _filled(
    rng: np.random.Generator, part: str, name: str, field: Field, at: np.ndarray, sources: dict[str, Values]
) -> tuple[Truth, np.ndarray]:
    if part in STATES:
        return Truth(part, field, False, 1.0, 0.0), sources[part](at).astype(np.int64)
    if not part and _check_name(name) == "counter" and field.bits <= 16:
        return Truth("counter", field, False, 1.0, 0.0), np.arange(at.size) % (1 << field.bits)
    if not part and field.bits < 8:
        return Truth("", field, False, 1.0, 0.0), _state(rng, field.bits, at)
    if not part and rng.random() < 0.15:
        return Truth("", field, False, 1.0, 0.0), np.full(at.size, int(rng.integers(0, 1 << min(field.bits, 31))))
    values, span, both = (
        (sources[part](at), QUANTITIES[part][2], QUANTITIES[part][3]) if part else _decoy(rng, at, field.bits)
    )
    factor = _round_up(span / (1 << field.bits) * rng.uniform(1.0, 3.0))
    signed = bool(both and rng.random() < 0.5)
    offset = 0.0 if signed or not both else -span / 2 if np.min(values) < -40 else -40.0
    raw = np.rint((values - offset) / factor).astype(np.int64)
    low, high = (-(1 << field.bits) // 2, (1 << field.bits) // 2 - 1) if signed else (0, (1 << field.bits) - 1)
    return Truth(part, field, signed, factor, offset), np.clip(raw, low, high)


def _round_up(value: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= value))


def _state(rng: np.random.Generator, bits: int, at: np.ndarray) -> np.ndarray:
    """A state: it changes now and then, most of them never."""
    if rng.random() < 0.5:
        return np.full(at.size, int(rng.integers(0, 2)) * int(rng.integers(0, 1 << bits)))
    changes = np.sort(rng.uniform(at[0], at[-1], int(rng.integers(1, 25))))
    levels = rng.integers(0, min(1 << bits, 6), changes.size + 1)
    return np.asarray(levels[np.searchsorted(changes, at)])


def _decoy(rng: np.random.Generator, at: np.ndarray, bits: int) -> tuple[np.ndarray, float, bool]:
    """What other controllers measure: an angle, an acceleration, a level that falls, a clock, a noisy level."""
    kind = rng.integers(0, 5)
    steps = np.diff(at, prepend=at[0])
    if kind == 0:
        way = np.cumsum(rng.normal(0, 1, at.size) * np.sqrt(steps)) * 60
        slow = max(3, round(0.5 / max(float(np.median(steps)), 1e-3)))
        return np.convolve(way, np.ones(slow) / slow, "same"), 1200.0, True
    if kind == 1:
        wave = np.sin(2 * np.pi * rng.uniform(0.05, 0.4) * at + rng.uniform(0, 6)) * np.sin(0.13 * at)
        return 3 * wave + rng.normal(0, 0.15, at.size), 20.0, True
    if kind == 2:
        return 55 - 0.05 * (at - at[0]), 100.0, False
    if kind == 3:
        return at * 10 % 1000, 1000.0, False
    return 40 + np.cumsum(rng.normal(0, 0.05, at.size)) + rng.normal(0, 0.3, at.size), 150.0, False


def _sources(drive: Drive, seed: int) -> dict[str, Values]:
    """What each part does, at any time: as its controller sends it, a number held or a state."""
    sent = {each.message.name: each for each in sent_messages(drive, seed)}

    def of(message: str, signal: str) -> Values:
        times, values = sent[message].ready_s, sent[message].values[signal]
        return lambda at: values[np.clip(np.searchsorted(times, at, side="right") - 1, 0, values.size - 1)]

    quantities = {part: of(message, signal) for part, (message, signal, _, _) in QUANTITIES.items()}
    return quantities | {part: of(message, signal) for part, (message, signal) in STATES.items()}
