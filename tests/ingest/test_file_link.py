"""Lines from a file: plain exports and captures with the time of each line."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.links import LINKS
from ingest.links.raw_line import RawLine
from schemas.errors import BadInput
from schemas.vocabulary import Clock

STATED = datetime(2026, 11, 3, 10, 10, tzinfo=UTC)


def _lines(tmp_path: Path, data: bytes, stated: datetime | None = None, most: int = 64) -> list[RawLine]:
    path = tmp_path / "some.capture"
    path.write_bytes(data)
    return list(LINKS["file"](path, most, stated))


def test_a_plain_export_has_the_stated_time_and_keeps_its_line_numbers(tmp_path: Path) -> None:
    found = _lines(tmp_path, b"3.1\r\n\r\n3.2\r\n", STATED)
    assert [(r.line_no, r.frame.data) for r in found] == [(1, b"3.1"), (2, b""), (3, b"3.2")]
    assert {(STATED, Clock.STATED)} == {(r.received_at, r.clock) for r in found}


def test_a_capture_says_when_each_line_came_and_which_are_the_inspectors_words(tmp_path: Path) -> None:
    found = _lines(
        tmp_path, b"# filmtally capture 1\n2026-11-03T09:15:02.120Z\t3.1\n# a remark\n2026-11-03T09:15:05Z\t@piece 2\n"
    )
    assert [(r.line_no, r.frame.data, r.directive) for r in found] == [(2, b"3.1", False), (4, b"@piece 2", True)]
    assert datetime(2026, 11, 3, 9, 15, 2, 120_000, tzinfo=UTC) == found[0].received_at


def test_a_word_in_a_plain_export_is_no_word_of_the_inspector(tmp_path: Path) -> None:
    assert not _lines(tmp_path, b"@piece 2\n")[0].directive


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "there is nothing in this capture"),
        (b"# filmtally capture 1\n", "there is nothing in this capture"),
        (b"# filmtally capture 1\n3.1\n", "line 2: does not start with a time and a tab"),
        (b"# filmtally capture 1\n2026-11-03T09:15:02\t3.1\n", "line 2: does not start with a time and a tab"),
        ("3.1\n".encode("utf-16"), "line 1: this is UTF-16; save it as UTF-8"),
    ],
)
def test_a_capture_that_cannot_be_read_says_where_and_why(data: bytes, words: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="some.capture") as caught:
        _lines(tmp_path, data)
    assert words in caught.value.sentence


def test_a_ten_megabyte_line_is_one_frame_that_knows_its_length(tmp_path: Path) -> None:
    found = _lines(tmp_path, b"x" * 10_000_000 + b"\n3.1\n")
    assert [r.frame.length for r in found] == [10_000_000, 3]
    assert len(found[0].frame.data) < 1000


def test_a_folder_or_a_missing_file_gets_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="this is a folder, not a capture"):
        list(LINKS["file"](tmp_path, 64))
    with pytest.raises(BadInput, match="there is no such capture"):
        list(LINKS["file"](tmp_path / "none", 64))
