"""Random precharges: each kind is what its name says."""

from __future__ import annotations

import numpy as np
import pytest
from precharge_cases import KINDS, random_precharge

SEEDS = range(40)


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_seed_gives_the_same_case(kind):
    one, two = random_precharge(9, kind=kind), random_precharge(9, kind=kind)
    assert one.truth == two.truth
    assert np.array_equal(one.voltage_V, two.voltage_V)


@pytest.mark.parametrize("seed", SEEDS)
def test_complete_closes_near_the_pack(seed):
    case = random_precharge(seed)
    truth = case.truth
    assert truth.close_s is not None
    assert 0.95 <= truth.close_V / truth.pack_V < 1.0
    assert truth.time_constant_s == pytest.approx(truth.nominal_time_constant_s, rel=0.01)
    assert case.time_s[-1] > truth.close_s + 0.9
    assert np.all(np.diff(case.time_s) > 0)


@pytest.mark.parametrize("seed", SEEDS)
def test_samples_follow_the_closed_form(seed):
    # V(t) = Vend − (Vend − V0)·exp(−t/τ), within quantisation, noise and the late stamp
    case = random_precharge(seed, noise_V=0.0, quantum_V=0.1, sampling_s=0.005)
    truth = case.truth
    inside = (case.time_s > truth.start_s + 0.001) & (case.time_s < truth.close_s)
    time = case.time_s[inside] - truth.start_s
    expected = truth.end_V - (truth.end_V - truth.start_V) * np.exp(-time / truth.time_constant_s)
    late = truth.pack_V / truth.time_constant_s * 0.0006
    assert np.abs(case.voltage_V[inside] - expected).max() < 0.06 + late


@pytest.mark.parametrize("seed", SEEDS)
def test_ratio_of_constants_is_what_was_asked_for(seed):
    truth = random_precharge(seed, rc_ratio=1.5).truth
    assert truth.time_constant_s == pytest.approx(1.5 * truth.nominal_time_constant_s, rel=0.02)
    slow, fast = random_precharge(seed, kind="slow").truth, random_precharge(seed, kind="fast").truth
    assert slow.time_constant_s > 1.3 * slow.nominal_time_constant_s
    assert fast.time_constant_s < 0.75 * fast.nominal_time_constant_s


@pytest.mark.parametrize("seed", SEEDS)
def test_incomplete_kinds_never_close(seed):
    for kind in ("stalled", "no_rise", "interrupted"):
        case = random_precharge(seed, kind=kind)
        assert case.truth.close_s is None
        assert not case.contactor_on.any()
        assert case.voltage_V.max() < 0.95 * case.truth.pack_V


@pytest.mark.parametrize("seed", SEEDS)
def test_faults_look_like_their_names(seed):
    early = random_precharge(seed, kind="closed_early").truth
    assert early.close_V < 0.9 * early.pack_V
    bypassed = random_precharge(seed, kind="bypassed", sampling_s=0.005)
    after = bypassed.time_s > bypassed.truth.start_s + 0.006
    assert bypassed.voltage_V[after].min() > 0.97 * bypassed.truth.pack_V
    loaded = random_precharge(seed, kind="parallel_load").truth
    assert 0.95 < loaded.end_V / loaded.pack_V < 0.995
    assert loaded.close_V > 0.95 * loaded.pack_V


def test_lag_delays_the_logged_voltage():
    sharp, lagging = (
        random_precharge(4, lag_s=lag, noise_V=0.0, quantum_V=0.1, sampling_s=0.005) for lag in (0.0, 0.05)
    )
    moment = sharp.truth.start_s + 0.05
    late, prompt = (np.interp(moment, case.time_s, case.voltage_V) for case in (lagging, sharp))
    assert late < prompt


def test_unknown_kind_is_refused():
    with pytest.raises(ValueError, match="kind is one of"):
        random_precharge(0, kind="none of these")
