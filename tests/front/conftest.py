from __future__ import annotations

from pathlib import Path

import pytest

from tests.front.shop import FrontDoor, sample_shop


@pytest.fixture
def door(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> FrontDoor:
    """A fresh copy of the sample shop and the front door to it."""
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    monkeypatch.delenv("FILMTALLY_PASSPHRASE", raising=False)
    return FrontDoor(sample_shop(tmp_path / "shop"), capsys)
