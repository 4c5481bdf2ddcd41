"""These tests kill brokers and daemons for minutes; they run on request (see tests/PROOF.md)."""

import os
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave this folder out unless it is asked for."""
    if os.environ.get("GATEHAND_CHAOS"):
        return
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.skip(reason="kills brokers for minutes: GATEHAND_CHAOS=1 runs it"))
