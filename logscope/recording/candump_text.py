"""Frames as the text that candump writes and `capture/candump` reads, to the microsecond."""

from __future__ import annotations

from logscope.capture.frames import Flag, Frames

_EXTENDED, _REMOTE, _ERROR, _FD = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)
_BRS, _ESI, _TX = int(Flag.BITRATE_SWITCH), int(Flag.ERROR_STATE), int(Flag.TRANSMITTED)
_PLAIN = ~(_EXTENDED | _TX)
_ERROR_BIT = 0x20000000  # CAN_ERR_FLAG of Linux's can.h


def candump_text(frames: Frames) -> str:
    """One line a frame: `(seconds.micros) bus identifier#payload`, with ` T` after one that this computer sent."""
    payload = frames.payload.tobytes().hex().upper()
    rows = zip(
        (frames.time_ns // 1000).tolist(), frames.bus.tolist(), frames.identifier.tolist(), frames.flags.tolist(),
        frames.length.tolist(), frames.offset.tolist(), strict=True,
    )  # fmt: skip
    buses, lines = frames.buses, []
    for micros, bus, identifier, flags, length, offset in rows:
        name = f"{identifier:08X}" if flags & _EXTENDED else f"{identifier:03X}"
        data = payload[2 * offset : 2 * (offset + length)]
        if flags & _PLAIN:
            name, data = _special(name, data, identifier, flags, length)
        sent = " T" if flags & _TX else ""
        lines.append(f"({micros // 1_000_000:010d}.{micros % 1_000_000:06d}) {buses[bus]} {name}#{data}{sent}\n")
    return "".join(lines)


def _special(name: str, data: str, identifier: int, flags: int, length: int) -> tuple[str, str]:
    """Name and content of a frame that is not a classic data frame."""
    if flags & _ERROR:
        return f"{identifier | _ERROR_BIT:08X}", data
    if flags & _REMOTE:
        return name, f"R{length}" if length else "R"
    if flags & _FD:
        return name, f"#{(1 if flags & _BRS else 0) | (2 if flags & _ESI else 0):X}{data}"
    return name, data


def loss_text(bus: str, lost: int, total: int) -> str:
    """The line by which candump says that frames were dropped, which the reader counts."""
    return f"DROPCOUNT: dropped {lost} CAN frames on '{bus}' socket (total drops {total})\n"
