"""How each of python-can's interfaces is kept from acknowledging, as far as it can be.

From the constructors of python-can 4.6. An interface that is not listed here is opened as it is, and its controller
acknowledges what it receives; it is never asked to transmit.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

# No controller of its own on the wire, or none that these arguments reach.
OF_THE_SYSTEM = ("socketcan", "socketcand", "virtual", "udp_multicast")
_SILENT: Mapping[str, Mapping[str, Any]] = {
    "slcan": {"listen_only": True},
    "vector": {"listen_only": True},
    "nixnet": {"listen_only": True},
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "seeedstudio": {"operation_mode": "silent"},
    "pcan": {"state": "PASSIVE"},
    "systec": {"state": "PASSIVE"},
}
LISTENS = "listens only: no acknowledgement, no error frames of its own"
NO_WIRE = "no wire: nothing acknowledges"
ACKNOWLEDGES = "acknowledges frames: this interface has no listen-only mode that can be set here; it never transmits"
UNKNOWN = "whether it acknowledges is set on the other computer; it never transmits"


@dataclass(frozen=True, slots=True)
class Listening:
    """The arguments that open an interface as quietly as it can be, and what that is, in words."""

    arguments: Mapping[str, Any]
    text: str


def listening(interface: str, channel: str) -> Listening:
    """How an interface is opened."""
    if interface in _SILENT:
        return Listening(_SILENT[interface], LISTENS)
    if interface in ("virtual", "udp_multicast"):
        return Listening({}, NO_WIRE)
    if interface == "socketcan":
        return Listening({}, socketcan_listening(channel, _link(channel)))
    return Listening({}, UNKNOWN if interface == "socketcand" else ACKNOWLEDGES)


def socketcan_listening(channel: str, link: Mapping[str, Any] | None) -> str:
    """What the system says of a CAN link. link : as `ip -details -json link show` describes it, or None."""
    info = (link or {}).get("linkinfo", {})
    if info.get("info_kind") in ("vcan", "vxcan"):
        return NO_WIRE
    if info.get("info_kind") != "can":
        return f"may acknowledge frames: whether {channel} only listens cannot be seen; it never transmits"
    if "LISTEN-ONLY" in info.get("info_data", {}).get("ctrlmode", []):
        return LISTENS
    rate = info.get("info_data", {}).get("bittiming", {}).get("bitrate", 500_000)
    return (
        f"acknowledges frames. To stop that, where another node acknowledges: ip link set {channel} down; "
        f"ip link set {channel} type can bitrate {rate} listen-only on; ip link set {channel} up"
    )


def _link(channel: str) -> Mapping[str, Any] | None:
    """A link as the system describes it; None where it does not."""
    program = shutil.which("ip") or shutil.which("ip", path="/usr/sbin:/sbin")
    if program is None:
        return None
    try:
        shown = subprocess.run(
            [program, "-details", "-json", "link", "show", "dev", channel],
            capture_output=True,
            timeout=2.0,
            check=False,
        ).stdout
        found = json.loads(shown or b"[]")
    except (OSError, subprocess.SubprocessError, ValueError):
        return None
    return found[0] if found and isinstance(found[0], dict) else None
