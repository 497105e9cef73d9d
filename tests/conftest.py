"""For all tests: no time limit for a single example, since machines are noisy; speed belongs in `make bench`."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("loosebox", deadline=None)
settings.load_profile("loosebox")
