"""What the end of a rise, and what came after it, say of how it ended: settled, cut off, held low or let go."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.checks.precharge.measure import Measurement
from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.openings import Opening
from logscope.observations.dc_link.rises import Attempt
from logscope.vehicle import Precharge, Vehicle

_SETTLED_CONSTANTS = 5.0  # then 99.3 % of the rise are there (handbook practice: precharge for five R·C)
# In so many time constants a load leaves a link 5 % of its voltage; one that still has so much of it has no load.
_DRAINED, _KEPT = 3.0, 0.9
# A controller that waits in vain for the pack's voltage gives up within so long (common practice, no published source).
_LONGEST_TIMEOUT_S = 10.0
_HIGHEST_PACK_V = 1500.0  # where voltage class B ends (ISO 6469-3)


def let_go_within_s(m: Measurement, openings: Sequence[Opening], configured: Precharge) -> float | None:
    """How soon after its onset the link fell again, where neither pack nor closing is seen [s]; None where it did not.

    A link that a load holds a little below the pack, until the controller gives up, rises and falls like this, and its
    constant is shorter by less than the band is wide.
    """
    if m.pack_v is not None or m.closing is not None or m.attempt.contactor_s is not None:
        return None
    next_one = next((each for each in openings if each.high_s > m.onset_s), None)
    if next_one is None or next_one.low_s - m.onset_s > (configured.timeout_s or _LONGEST_TIMEOUT_S):
        return None
    return next_one.high_s - m.onset_s


def charged_in_time(m: Measurement, fastest_s: float | None, close_at: float) -> bool:
    """Whether the link can have come up to the closing threshold within the rise, whatever brought it up from there.

    fastest_s : the shortest constant that is as expected [s]; None where it is not known: then only the start counts
    """
    full_v = m.pack_v or m.top_v
    missing_v = max(full_v - m.start_v, 0.0) * (1.0 if fastest_s is None else float(np.exp(-m.rise_s / fastest_s)))
    return full_v - missing_v >= close_at * full_v


def may_be_part_way(m: Measurement, fastest_s: float | None, vehicle: Vehicle) -> bool:
    """Whether a resistor brings the link as far within the rise, on the way to the fullest pack there may be.

    Without the pack's voltage a relay that drops out so soon leaves the link where it then stands.

    fastest_s : the shortest constant that is as expected [s]; None where it is not known: then nothing is said
    """
    if fastest_s is None:
        return False
    to_go_v = max((vehicle.limits.battery_max_V or _HIGHEST_PACK_V) - m.start_v, 0.0)
    return m.top_v - m.start_v <= -to_go_v * float(np.expm1(-m.rise_s / fastest_s))


def above_any_pack(m: Measurement, close_at: float, vehicle: Vehicle) -> bool:
    """Whether the link settled at what is enough for the fullest pack."""
    fullest_v = vehicle.limits.battery_max_V
    return fullest_v is not None and m.fit is not None and m.fit.end.claim_low >= close_at * fullest_v


def below_any_pack(m: Measurement, close_at: float, vehicle: Vehicle) -> bool:
    """Whether the link settled at what would be too low for the emptiest pack."""
    emptiest_v = vehicle.limits.battery_min_V
    return emptiest_v is not None and m.fit is not None and m.fit.end.claim_high < close_at * emptiest_v


def stops_short(m: Measurement, noise_v: float) -> bool:
    """Whether the link never came to where its own curve was going, beyond doubt."""
    return m.fit is not None and not m.settled and m.fit.end.claim_low > m.top_v + 3 * noise_v


def held(attempt: Attempt, configured_s: float | None) -> bool:
    """Whether the relay's state says closed for so long that the curve must have come to its end."""
    if attempt.relay_s is None or attempt.relay_end_s is None or configured_s is None:
        return False
    return attempt.relay_end_s - attempt.relay_s >= _SETTLED_CONSTANTS * configured_s


def kept_without_relay(link: Link, m: Measurement, configured: Precharge) -> bool:
    """Whether a link that stopped short of the pack kept its voltage after the relay had opened, and that was soon.

    Later the controller may have switched off the load together with the relay.
    A load that holds it at a fraction f of the pack's is Rp = R·f/(1 - f), and drains it with Rp·C = R·C·f/(1 - f).
    """
    opened_s, configured_s, reached = m.attempt.relay_end_s, configured.time_constant_s, m.fraction(m.reached_v)
    if opened_s is None or configured_s is None or reached is None or m.closing is not None:
        return False
    if not m.settled or reached >= configured.close_fraction or not _opened_soon(m.attempt, configured_s):
        return False
    lag_s = m.fit.lag.value if m.fit is not None and m.fit.lag is not None else 0.0
    gone_s = opened_s + _DRAINED * (configured_s * reached / (1 - reached) + lag_s)
    time_s, volts = link.part.time_s, link.part.value
    begins, ends = np.searchsorted(time_s, [m.end_s, max(m.end_s, gone_s)])
    return bool(ends < volts.size and volts[begins : ends + 1].min() >= _KEPT * m.reached_v)


def _over_too_soon(m: Measurement, bound_s: float | None, configured: Precharge) -> bool:
    """Whether a rise that ended too low was over too soon to have settled there.

    A load that holds the link at a fraction of the pack shortens RC by that same fraction (both are Rp/(R + Rp)), so a
    rise that was over sooner than that never settled: it was cut off between two samples.
    """
    fastest_s = m.fit.time_constant.claim_high if bound_s is None and m.fit else bound_s
    if fastest_s is None or configured.time_constant_s is None:
        return False
    return fastest_s < (m.fraction(m.reached_v) or 0.0) * configured.time_constant_s * (1 - configured.tolerance)


def broke_off(m: Measurement, bound_s: float | None, configured: Precharge) -> bool:
    """Whether a rise that ended too low was cut off, rather than having settled there."""
    if _over_too_soon(m, bound_s, configured):
        return True
    if bound_s is None:
        return not m.settled
    return configured.time_constant_s is not None and _opened_soon(m.attempt, configured.time_constant_s)


def _opened_soon(attempt: Attempt, configured_s: float) -> bool:
    """Whether the relay opened before a sound link would have come up."""
    if attempt.relay_s is None or attempt.relay_end_s is None:
        return False
    return attempt.relay_end_s - attempt.relay_s < 3 * configured_s
