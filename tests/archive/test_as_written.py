"""What is asked before an answer: that no file of a published segment is missing, nor the manifest that published it."""

from __future__ import annotations

from pathlib import Path

import pytest

from archive.as_written import demand_published
from archive.fold import fold
from archive.segments import segments
from archive.store import Archive
from schemas.errors import IntegrityFailed
from tests.archive import scenario


@pytest.fixture
def root(tmp_path: Path) -> Path:
    archive = scenario.three_months(tmp_path / "archive")
    assert fold(archive.root, scenario.FOLDED_AT).months
    return archive.root


@pytest.mark.parametrize("table", ["readings", "gauge_checks", "certificates"])
@pytest.mark.parametrize("which", [0, 1, 2], ids=["rows", "records", "manifest"])
def test_a_file_of_a_segment_that_is_gone_is_named(root: Path, table: str, which: int) -> None:
    demand_published(root)
    path = segments(root, table)[0].paths[which]
    path.unlink()
    with pytest.raises(IntegrityFailed, match=f"{path}: is gone, .* cannot be shown; restore it from a copy"):
        demand_published(root)


def test_what_a_fold_left_that_was_cut_short_is_not_missed(root: Path) -> None:
    one = segments(root, "readings")[0]
    for path in one.paths[:2]:
        path.with_name(path.name.replace(one.id, "ab" * 8)).write_bytes(path.read_bytes())
    demand_published(root)
    assert [trouble.kind for trouble in Archive(root, "look").check()] == ["leftover"] * 2
