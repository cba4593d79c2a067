"""Settings of the whole suite."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator

import pytest
from hypothesis import settings

# Started in the background, or so that it outlives its terminal, the suite inherits that signals are ignored, and so would
# each program that a test interrupts.
with contextlib.suppress(ValueError):
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        signal.signal(signal.SIGHUP, signal.SIG_DFL)

# A busy machine is no fault of the code: no property test is failed for the time that an example took.
# The suite asks sixty random examples where a test says nothing else; --hypothesis-profile thorough asks a thousand.
settings.register_profile("suite", deadline=None, max_examples=60)
settings.register_profile("thorough", deadline=None, max_examples=1000)
settings.load_profile("suite")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options by which the tests that need a real device run."""
    parser.addoption(
        "--ble-gauge",
        metavar="ADDRESS",
        help="Address of a Bluetooth LE gauge nearby, as in ble:AA:BB:CC:DD:EE:FF; runs tests/live/test_bluetooth_radio.py.",
    )
    parser.addoption("--ble-profile", metavar="FILE", help="Line profile of that gauge (profiles/NAME.toml).")


@pytest.fixture(autouse=True, scope="session")
def _indexes_of_this_run(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the indexes that archives get out of the user's own cache folder, for programs that a test starts too."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FILMTALLY_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield
