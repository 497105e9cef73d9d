"""What is loaded where: the store's library takes 30 MB, which only an uplink with a store may pay for."""

from __future__ import annotations

import subprocess
import sys

import pytest


@pytest.mark.parametrize("role", ["gateway.cli", "gateway.app.core", "gateway.app.web", "gateway.app.uplink"])
def test_no_role_loads_the_store_s_library_before_it_needs_it(role: str) -> None:
    asks = f"import sys, {role}; sys.exit('influxdb_client' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", asks], check=False).returncode == 0


def test_the_adapter_is_the_only_one_that_loads_it() -> None:
    asks = (
        "import sys, pkgutil, importlib, gateway.uplink as room\n"
        "for one in pkgutil.iter_modules(room.__path__):\n"
        "    if one.name not in ('series', 'to_store'): importlib.import_module(f'gateway.uplink.{one.name}')\n"
        "sys.exit('influxdb_client' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", asks], check=False).returncode == 0
