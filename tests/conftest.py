"""For all tests: no time limit for a single example, since machines are noisy; speed belongs in `make bench`. And one
unit system in psychrolib, which keeps it in a global: a test that reads IP units must not leave them to the next."""

from __future__ import annotations

import psychrolib
import pytest
from hypothesis import settings

settings.register_profile("loosebox", deadline=None)
settings.load_profile("loosebox")


@pytest.fixture(autouse=True)
def _si_units() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
