"""Drawn examples are the same in every run; HYPOTHESIS_PROFILE=explore draws new ones."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("steady", derandomize=True, database=None)
settings.register_profile("explore", derandomize=False)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))
