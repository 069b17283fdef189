"""How hypothesis runs in the whole suite."""

from __future__ import annotations

from hypothesis import settings

# No deadline: how long an example takes depends on what else the machine does, and on kernels compiled at first call.
# All else is as hypothesis has it, for a desk or for CI.
settings.register_profile("logscope", deadline=None)
settings.load_profile("logscope")

collect_ignore = ["conftest.py"]  # it holds no doctest, and would be taken for the one of another folder
