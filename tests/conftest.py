"""What holds for all tests."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

# Kernels compile at their first call, and a laptop may be busy: how long an example takes says nothing here.
settings.register_profile("any machine", settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")
