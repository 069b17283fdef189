"""A simulated drive as the checks get to see it, without the way through a log.

The values are those that the controllers send, rounded to the steps of their definitions. That whole logs
give the same is tested in test_score.py, for one scenario a layout.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from logscope.mapping import load_info, taken_loads
from logscope.parts import PARTS, PartInfo, Role
from logscope.signals import Encoding, Part, Signals
from logscope.simulate.drive import Drive
from logscope.simulate.hazel_bus import Sent, sent_messages
from logscope.simulate.layouts import Layout
from logscope.vehicle import Mapped, Vehicle, load_vehicle

VEHICLE_FILE = Path(__file__).parents[2] / "decoders" / "hazel.toml"
_OVERCURRENT = 3.0  # of Hazel's fault codes


def vehicle_for(layout: Layout) -> Vehicle:
    """Hazel's vehicle file without the parts that the layout leaves out."""
    vehicle = load_vehicle(VEHICLE_FILE)
    kept = {part: mapped for part, mapped in vehicle.signals.items() if part not in layout.unmapped}
    return vehicle.model_copy(update={"signals": kept})


def signals_of_drive(drive: Drive, seed: int, layout: Layout, vehicle: Vehicle) -> tuple[Signals, float]:
    """All mapped parts, and where they begin on the drive's clock [s]."""
    return signals_of_messages(sent_messages(drive, seed, layout), drive, vehicle)


def signals_of_messages(messages: Iterable[Sent], drive: Drive, vehicle: Vehicle) -> tuple[Signals, float]:
    """The same from messages that were sent in a drive, whatever became of them on their way."""
    sent = {each.message.name: each for each in messages if each.ready_s.size}
    start_s = min(float(each.ready_s[0]) for each in sent.values())
    parts = {}
    for info, mapped in _mapped(vehicle):
        message, signal = mapped.signal.split(".")
        if message in sent:
            parts[info.name] = _part(info, mapped, sent[message], signal, start_s)
    loads = taken_loads((load.name for load in vehicle.load), parts)
    return Signals(parts, 0.0, drive.scenario.duration_s - start_s, loads=loads), start_s


def _mapped(vehicle: Vehicle) -> Iterator[tuple[PartInfo, Mapped]]:
    for name, mapped in vehicle.signals.items():
        yield PARTS[name], mapped
    for load in vehicle.load:
        for reading, signal in (("switch", load.signal), ("current", load.current), ("voltage", load.voltage)):
            if signal is not None:
                yield load_info(load.name, reading), Mapped(signal=signal)


def _part(info: PartInfo, mapped: Mapped, sent: Sent, signal_name: str, start_s: float) -> Part:
    signal = sent.message.get_signal_by_name(signal_name)
    scale, offset = float(signal.scale), float(signal.offset)
    raw = np.rint((sent.values[signal_name] - offset) / scale)
    low, high = (-(1 << signal.length) // 2, (1 << signal.length) // 2 - 1)
    raw = np.clip(raw, *((low, high) if signal.is_signed else (0, (1 << signal.length) - 1)))
    rows = np.ones(raw.size, dtype=bool)
    if signal.multiplexer_ids is not None:
        rows = np.isin(sent.values[signal.multiplexer_signal], signal.multiplexer_ids)
    value, role = (raw * scale + offset)[rows], info.role
    labels = {float(number): str(text) for number, text in (signal.choices or {}).items()}
    on = value == 1 if role is Role.STATE else None
    if role is Role.MODE and mapped.on is not None:
        on = np.isin(value, [number for number, text in labels.items() if text in mapped.on])
    return Part(
        name=info.name,
        time_s=sent.ready_s[rows] - start_s,
        value=value,
        unit=info.unit,
        source=f"{sent.message.name}.{signal_name}",
        step=scale,
        labels=labels,
        on=on,
        overcurrent=value == _OVERCURRENT if role is Role.FAULT else None,
        healthy=value == 0 if role is Role.FAULT else None,
        encoding=Encoding(signal.length, signal.is_signed, scale, offset, signal.byte_order == "big_endian"),
    )
