"""What kind of outcome the fall of a link was, and against what it was judged."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import isinf, log

from logscope.checks.discharge.measure import ACTIVE_FACTOR, DischargeCurve
from logscope.curves.discharge import Shape
from logscope.curves.estimate import Estimate
from logscope.observations.dc_link.link import PACK_MISMATCH
from logscope.physics.discharge import REFERENCE_ACTIVE_S, SAFE_V
from logscope.vehicle import Vehicle

# Where the vehicle file gives neither a limit nor a bleeder: what LV 123 (2014) asks of a passive discharge. Value from
# memory; a design target of makers, no law.
REFERENCE_PASSIVE_S = 120.0
# A link that needs ten times its limit is not being discharged at all, whatever makes it creep.
LIVE_FACTOR = 10.0
# Share of a fall that may be missing from the log before nothing is extrapolated from the rest: in there the link may
# have been charged and opened again, and its readings on either side belong to two falls (common practice).
_MOST_MISSING = 0.5


class Limit(Enum):
    """Where the time that the link may take comes from."""

    FILE = "discharge_limit_s of the vehicle file"
    BLEEDER = "bleeder and capacitance of the vehicle file, with their tolerance"
    REFERENCE = (
        "passive discharge in LV 123 (value from memory), because the vehicle file gives no limit and no bleeder"
    )


@dataclass(frozen=True, slots=True, eq=False)
class JudgedDischarge:
    """One fall with its kind and everything its words are made of.

    limit_s : time to 60 V that it was judged by [s]; limit : where that comes from
    expected_s : bleeder · capacitance [s], None where not configured; tolerance : on it
    at_pack : whether the link stands at the pack's level in the end; None where no pack voltage is known
    """

    kind: str
    fall: DischargeCurve
    limit_s: float
    limit: Limit
    expected_s: float | None
    tolerance: float
    capacitance_f: float | None
    active: bool
    at_pack: bool | None

    @property
    def constant(self) -> Estimate | None:
        """The bleed-down constant: of the whole fall, or of its second half where one curve does not fit all [s]."""
        late = self.fall.late
        return late.time_constant if late is not None and not late.misfit else None

    @property
    def has_hole(self) -> bool:
        """Whether most of the fall is missing from the log, so that nothing may be extrapolated from the rest."""
        return _has_hole(self.fall)

    @property
    def time_to_safe(self) -> Estimate | None:
        """From the opening to 60 V [s]; None where it is not known, or no curve is there to extrapolate."""
        fall = self.fall
        shapeless = fall.late is not None and fall.late.misfit and not fall.crossed
        return None if (shapeless or self.has_hole) and self.kind == "undetermined" else fall.time_to_safe


def judge_discharge(fall: DischargeCurve, vehicle: Vehicle) -> JudgedDischarge:
    """Decide the kind of one fall."""
    capacitance_f = vehicle.precharge.capacitance_uF * 1e-6 if vehicle.precharge.capacitance_uF else None
    bleeder, tolerance = vehicle.dc_link.bleeder_ohm, vehicle.precharge.tolerance
    expected_s = bleeder * capacitance_f if bleeder and capacitance_f else None
    limit_s, limit = _limit(fall, vehicle, expected_s)
    kind = _kind(fall, limit_s, expected_s * (1 + tolerance) if expected_s else None)
    at_pack = None if fall.pack_v is None else abs(fall.end_v - fall.pack_v) <= PACK_MISMATCH * fall.pack_v
    return JudgedDischarge(
        kind, fall, limit_s, limit, expected_s, tolerance, capacitance_f, _is_active(fall, expected_s), at_pack
    )


def _limit(fall: DischargeCurve, vehicle: Vehicle, expected_s: float | None) -> tuple[float, Limit]:
    if vehicle.dc_link.discharge_limit_s is not None:
        return vehicle.dc_link.discharge_limit_s, Limit.FILE
    if expected_s is not None:
        slowest_s = expected_s * (1 + vehicle.precharge.tolerance)
        return slowest_s * log(max(fall.level_v / SAFE_V, 1.0)), Limit.BLEEDER
    return REFERENCE_PASSIVE_S, Limit.REFERENCE


def _kind(fall: DischargeCurve, limit_s: float, slowest_s: float | None) -> str:
    time, late = fall.time_to_safe, fall.late
    if time is None:
        return "undetermined"
    if max(fall.level_v, fall.end_v) <= SAFE_V:
        return "discharged"
    if not fall.crossed:
        assert late is not None
        if time.claim_low > (LIVE_FACTOR if late.falls else 1.0) * limit_s and not _unsettled(fall):
            return "undetermined" if fall.stopped and fall.opening.restarted else "stays_live"
        if not late.falls or late.misfit or _unsettled(fall) or _has_hole(fall):
            return "undetermined"
    constant = late.time_constant if late is not None and not late.misfit else None
    slow_constant = constant is not None and slowest_s is not None and constant.claim_low > slowest_s
    if time.claim_low > limit_s or (slow_constant and late is fall.fit):
        return "slow_discharge"
    return "discharged" if time.high <= limit_s else "undetermined"


def _has_hole(fall: DischargeCurve) -> bool:
    return not fall.crossed and fall.missing_s > _MOST_MISSING * fall.length_s


def _unsettled(fall: DischargeCurve) -> bool:
    """Whether the link heads for a level that it has not reached, or falls as no curve does: the log ends too early."""
    return fall.late is not None and fall.late.falls and (not fall.settled or fall.late.misfit)


def _is_active(fall: DischargeCurve, expected_s: float | None) -> bool:
    """Whether something other than the bleeder brought the link down, within the time asked of an active discharge."""
    time, fit = fall.time_to_safe, fall.fit
    if time is None or isinf(time.high) or time.high > REFERENCE_ACTIVE_S or fall.level_v <= SAFE_V:
        return False
    if expected_s is None or (fit is not None and fit.shape in (Shape.CURRENT, Shape.POWER)):
        return True
    return time.high < expected_s * log(fall.level_v / SAFE_V) / ACTIVE_FACTOR
