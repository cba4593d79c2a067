"""The Bluetooth link with a real adapter and a real gauge, where there are some."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.links import LIVE
from ingest.links.address import address_of
from ingest.links.bluetooth import scan
from ingest.links.item import Kind
from schemas.profile import Profile
from tests.live.listening import eventually, listening, take, take_kind


@pytest.fixture
def address(request: pytest.FixtureRequest) -> str:
    """Return the address of the gauge that the option names."""
    given = request.config.getoption("--ble-gauge")
    if not given:
        pytest.skip("needs a Bluetooth adapter and a gauge: pytest tests/live --ble-gauge ble:AA:BB:CC:DD:EE:FF")
    return str(given)


@pytest.fixture
def profile(request: pytest.FixtureRequest) -> Profile:
    """Return the profile that the option names, or one that takes any line."""
    path = request.config.getoption("--ble-profile")
    return Profile.load(Path(path)) if path else Profile(title="Any", reading="(?P<thickness>.+)", unit="um")


def test_the_computer_sees_something(address: str) -> None:
    assert scan(10), f"nothing near; is the gauge {address} switched on"


def test_the_gauge_connects_and_sends_a_reading(address: str, profile: Profile) -> None:
    """Take a reading while this waits, within the patience of the test."""
    with listening(LIVE["ble"](address_of(address), profile)) as stream:
        take_kind(stream, Kind.UP)
        eventually(lambda: take(stream).kind is Kind.LINE)
