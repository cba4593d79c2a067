from __future__ import annotations

from pathlib import Path

import pytest

from archive.store import Archive


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return Archive(tmp_path / "archive", "bench1")
