"""Settings of the whole suite."""

from __future__ import annotations

import pytest
from hypothesis import settings

# A busy machine is no fault of the code: no property test is failed for the time that an example took.
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options by which the tests that need a real device run."""
    parser.addoption(
        "--ble-gauge",
        metavar="ADDRESS",
        help="Address of a Bluetooth LE gauge nearby, as in ble:AA:BB:CC:DD:EE:FF; runs tests/live/test_bluetooth_radio.py.",
    )
    parser.addoption("--ble-profile", metavar="FILE", help="Line profile of that gauge (profiles/NAME.toml).")
