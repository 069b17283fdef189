"""Where the high-voltage sequence stands at this moment, by what the controllers report."""

from __future__ import annotations

import numpy as np

from logscope.live.picture import Phase, Sequence
from logscope.plausibility.marks import may_be_mark
from logscope.signals import Part, Signals

TOUCH_V = 60.0  # the line between voltage classes A and B (ISO 6469-3, UN R100)
NO_PROOF = "by reading, which proves nothing dead"
_STALE_PERIODS = 5.0  # a reading that is missing for longer than this many periods is no reading of now
_STALE_S = 1.5  # … but never shorter than this: slow controllers stall
_RISING_S = 0.3  # over this time a link that is being charged rises by more than its noise
_RISING_SHARE = 0.02  # of the full voltage
_CLOSED_SHARE = 0.8  # a closed contactor with a link further below its pack than this deserves a word


def sequence_of(signals: Signals, now_s: float) -> Sequence:
    """The step at a moment, from the newest reading of each part that is not too old for it."""
    link, pack = _now(signals.get("dc_link_voltage"), now_s), _now(signals.get("battery_voltage"), now_s)
    relay, main, negative = (
        _is_on(signals.get(name), now_s) for name in ("precharge_relay", "main_contactor", "negative_contactor")
    )
    share = None if link is None or not pack or pack < TOUCH_V else link / pack
    at = "" if share is None else f" at {100 * share:.0f} % of the pack's {pack:.0f} V"
    if main and negative is not False:
        return _closed(link, share, pack)
    if link is None:
        what = (
            "the link voltage does not arrive" if not relay else "precharge relay closed, and no link voltage arrives"
        )
        return Sequence(Phase.UNKNOWN if not relay else Phase.PRECHARGING, what)
    if relay or (relay is None and _rises(signals["dc_link_voltage"], now_s, pack)):
        return Sequence(Phase.PRECHARGING, f"precharging: {link:.0f} V{at}", link, share)
    if link >= TOUCH_V:
        contactors = "with the contactors reported open" if main is False else "contactors unknown"
        return Sequence(Phase.LIVE, f"live: {link:.0f} V{at}, {contactors}", link, share)
    part = signals["dc_link_voltage"]
    if np.any(part.value >= TOUCH_V):
        return Sequence(Phase.BELOW_60, f"below 60 V: {link:.0f} V {NO_PROOF}", link, share)
    return Sequence(Phase.OFF, f"off: {link:.0f} V {NO_PROOF}", link, share)


def _closed(link: float | None, share: float | None, pack: float | None) -> Sequence:
    if link is None:
        return Sequence(Phase.CLOSED, "main contactor reported closed; the link voltage does not arrive")
    if share is not None and share < _CLOSED_SHARE:
        text = f"main contactor reported closed, and the link is at {100 * share:.0f} % of the pack's {pack:.0f} V"
        return Sequence(Phase.CLOSED, text, link, share)
    return Sequence(Phase.CLOSED, f"closed: link {link:.0f} V, live", link, share)


def longest_age_s(part: Part) -> float:
    """How old the newest sample of a part may be and still count as arriving [s]."""
    spacing = part.spacing_s
    return max(_STALE_S, _STALE_PERIODS * spacing) if spacing > 0 else _STALE_S


def _fresh(part: Part | None, now_s: float) -> bool:
    return part is not None and bool(part.time_s.size) and now_s - float(part.time_s[-1]) <= longest_age_s(part)


def _now(part: Part | None, now_s: float) -> float | None:
    """The newest reading; None where it is too old, or may be a mark for “no value”, which is no voltage."""
    if part is None or not _fresh(part, now_s):
        return None
    newest = part.where(np.arange(part.value.size) == part.value.size - 1)
    return None if may_be_mark(newest)[-1] else float(newest.value[-1])


def _is_on(part: Part | None, now_s: float) -> bool | None:
    """Whether a state is on; None where it does not arrive."""
    return bool(part.on[-1]) if part is not None and part.on is not None and _fresh(part, now_s) else None


def _rises(link: Part, now_s: float, pack: float | None) -> bool:
    """Whether the link is being charged, by its voltage alone."""
    recent = link.value[link.between(now_s - _RISING_S, now_s)]
    full = pack or float(link.value.max())
    return recent.size > 1 and float(recent[-1] - recent[0]) > _RISING_SHARE * max(full, TOUCH_V)
