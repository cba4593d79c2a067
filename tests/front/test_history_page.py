"""history --html: the page of a real archive, its links, and what is refused."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.front.shop import FrontDoor
from tests.front.test_history import _lot


@pytest.fixture
def measured(door: FrontDoor) -> FrontDoor:
    """Return a shop with two lots of hinges in it, one of them too thin, between two checks."""
    door.verify_gauge("opening", "2026-11-03T09:00")
    _lot(door, "L-1")
    _lot(door, "L-<2>", ("30.0", "80.0", "85.0", "95.0"), "--measured-at", "2026-11-03T11:00")
    door.verify_gauge("closing", "2026-11-03T15:00")
    return door


def test_the_page_shows_what_the_archive_answers(measured: FrontDoor, tmp_path: Path) -> None:
    target = tmp_path / "history.html"
    answer = measured("history", "--lot", "L-<2>", "--html", str(target))
    assert (answer.code, answer.out) == (0, f"{target}: 1 inspection\n")
    page = target.read_text("utf-8")
    assert "L-&lt;2&gt;" in page
    assert "<dd>L-&lt;2&gt;</dd>" in page
    assert re.search(r"1 of 4 \(25.0\u00a0%\)", page)
    assert re.findall(r"(\d gauge.*?)\.<", page)[0] == "1 gauge: 2 checks passed"
    assert "L-1" not in page
    again = measured("history", "--html", str(target), "--unit", "mil")
    assert (again.code, again.sentence.endswith("is there already; name another file, or say --replace")) == (2, True)
    both = measured("history", "--html", str(target), "--unit", "mil", "--replace")
    assert both.out == f"{target}: 2 inspections\n"
    assert "film build, mil" in target.read_text("utf-8")
    assert [path.name for path in tmp_path.glob("*.html")] == ["history.html"]


def test_of_a_selection_without_readings_no_page_is_written(measured: FrontDoor, tmp_path: Path) -> None:
    target = tmp_path / "none.html"
    answer = measured("history", "--part", "nothing", "--html", str(target))
    assert answer.code == 2
    assert answer.sentence.endswith(f"{target}: was not written, since no judged reading matches")
    lot = measured("history", "--part", "L-1", "--html", str(target))
    assert lot.code == 2
    assert lot.sentence.endswith("; there is a lot of that name: --lot L-1")
    days = measured("history", "--from", "2026-11-04", "--html", str(target))
    assert days.sentence.endswith("; --from and --to name days on which readings were taken")
    assert not target.exists()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--html", "{tmp}/page.pdf"], "page.pdf: let the name end in .html"),
        (["--html", "{tmp}/no/page.html"], "there is no such folder; make it or name another"),
        (["--html", "{tmp}/folder.html"], "this is a folder; name a file"),
        (["--html", "{tmp}/page.html", "--json"], "--json shapes the answer of a terminal; leave it out with --html"),
        (["--html", "{tmp}/page.html", "--by", "month"], "--by shapes the answer of a terminal"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(
    measured: FrontDoor, tmp_path: Path, words: list[str], sentence: str
) -> None:
    (tmp_path / "folder.html").mkdir()
    answer = measured("history", *(word.format(tmp=tmp_path) for word in words))
    assert answer.code == 2
    assert sentence in answer.err
    assert not (tmp_path / "page.html").exists()
