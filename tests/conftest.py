"""For all tests: no time limit for a single example, since machines are noisy; speed belongs in `make bench`. And one
unit system in psychrolib, which keeps it in a global: a test that reads IP units must not leave them to the next.

The examples of property tests are the same at every run, so that the gate says the same twice of the same code.
LOOSEBOX_EXAMPLES=2000 looks at so many new ones each."""

from __future__ import annotations

import os

import psychrolib
import pytest
from hypothesis import settings

MORE = int(os.environ.get("LOOSEBOX_EXAMPLES", "0"))
settings.register_profile("loosebox", deadline=None, derandomize=not MORE, max_examples=MORE or 100)
settings.load_profile("loosebox")


@pytest.fixture(autouse=True)
def _si_units() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
