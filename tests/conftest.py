"""How examples are drawn: the same in every run; afresh in ``.ci/shaken``, to find rare ones.

No example has a time limit: how long something takes is measured in ``tests/benchmarks``.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

UNTIMED = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}

settings.register_profile("steady", derandomize=True, **UNTIMED)
settings.register_profile("shaken", **UNTIMED)
settings.load_profile(os.environ.get("LEGIBILITY_HYPOTHESIS", "steady"))
