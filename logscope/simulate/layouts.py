"""Ways in which the same drive can have been logged: sampling, what is there at all, and how late."""

from __future__ import annotations

from dataclasses import dataclass

SAMPLINGS_S = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
_FAST = frozenset({"InverterMotion", "InverterCurrent", "InverterHv", "Inverter", "Pedals"})


@dataclass(frozen=True, slots=True)
class Layout:
    """One way.

    period_s : of the inverter's and pedals' messages, where not as in the definitions; slower messages
        follow where they would be faster than that
    flags, pack, fault : whether relay and contactor states, pack voltage and current, the fault are mapped
    together : whether one controller sends its messages all at once, so that they share their moments
    holds_peak : whether the motor current is the largest since the message before, or the moment's
    flag_lag_s : how late the states are that a message shows
    """

    name: str = "as defined"
    period_s: float | None = None
    flags: bool = True
    pack: bool = True
    fault: bool = True
    together: bool = False
    holds_peak: bool = True
    flag_lag_s: float = 0.0

    def period_of(self, message: str, defined_s: float) -> float:
        """The period of a message whose definition says `defined_s`."""
        if self.period_s is None:
            return defined_s
        return self.period_s if message in _FAST else max(self.period_s, defined_s)

    @property
    def unmapped(self) -> frozenset[str]:
        """Parts that the vehicle file does not map in this layout."""
        parts: set[str] = set()
        if not self.flags:
            parts |= {"precharge_relay", "main_contactor", "negative_contactor", "inverter_state"}
        if not self.pack:
            parts |= {"battery_voltage", "battery_current"}
        if not self.fault:
            parts |= {"fault", "inverter_state"}
        return frozenset(parts)


AS_DEFINED = Layout()
# Each layout leaves out or delays one thing; the scorer combines them with the samplings.
LAYOUTS = (
    Layout("all parts"),
    Layout("no states", flags=False),
    Layout("no pack", pack=False),
    Layout("no fault", fault=False),
    Layout("one controller", together=True, flag_lag_s=0.03),
    Layout("momentary current", holds_peak=False, flag_lag_s=0.08),
)
