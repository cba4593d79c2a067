"""The README's commands, run one after the other as a reader would."""

from __future__ import annotations

import io
import re
import shlex
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from filmtally import main
from tests.front.shop import FrontDoor

ROOT = Path(__file__).parents[2]
TYPED = "".join(f"{3 + n % 7 / 10:.1f}\n" for n in range(10))


def _commands() -> list[list[str]]:
    text = (ROOT / "README.md").read_text(encoding="utf-8").replace("\\\n", " ")
    return [shlex.split(line.strip()) for line in text.splitlines() if re.match(r"    (filmtally|cd) ", line)]


def test_the_readmes_commands_do_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    monkeypatch.setenv("FILMTALLY_PASSPHRASE", "for this test")
    monkeypatch.setattr(sys, "stdin", io.StringIO(TYPED))
    clock = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
    ran: list[tuple[str, int]] = []
    for words in _commands():
        clock += timedelta(minutes=2)
        if words[0] == "cd":
            monkeypatch.chdir(words[1])
            Path("readings.txt").write_text("3.1\n3.2\n3.3\n3.4\n3.5\n", encoding="utf-8")
            continue
        spread = [str(found) for word in words[1:] for found in (sorted(Path().glob(word)) if "*" in word else [word])]
        if (
            "--link" in spread
        ):  # no gauge is plugged in here (tests/front/test_measure_live.py has some): the options are read
            with pytest.raises(SystemExit, match="^0$"):
                main([*spread, "--help"])
            continue
        ran.append((" ".join(spread), main(spread, now=lambda at=clock: at)))
    capsys.readouterr()
    assert len(ran) >= 9
    assert [(command, code) for command, code in ran if code != 0] == []


def _snippet(shop: Path) -> dict[str, object]:
    """Run the README's way of reading the archive's own files on *shop* and return its names."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    lines = re.findall(
        r"^    (.*)\n", text[text.index("    from pathlib import Path") : text.index("## Exit codes")], re.M
    )
    names: dict[str, object] = {}
    exec("\n".join(lines).replace('"my-shop/archive"', repr(str(shop / "archive"))), names)  # noqa: S102 - the README's own lines
    return names


def test_the_readmes_way_of_reading_the_files_gives_every_row_once_folded_or_not(door: FrontDoor) -> None:
    door.covered_lot()
    (single,) = (door.folder / "archive" / "readings").rglob("*.parquet")
    (single.parent / ".writing-half.parquet").write_bytes(b"PAR1")
    before = _snippet(door.folder)["readings"].to_table().to_pylist()  # type: ignore[attr-defined]
    assert len(before) == 8
    (single.parent / ".writing-half.parquet").unlink()
    door.now = datetime(2027, 1, 10, 12, tzinfo=UTC)
    assert door("archive", "fold").code == 0
    assert not single.exists()
    assert door.measure("hinge", door.write("late.txt", b"87.0 um\n" * 4 + b"32.0 um\n" * 4), lot="L-2").code == 0
    folded = _snippet(door.folder)["readings"].to_table().to_pylist()  # type: ignore[attr-defined]
    assert [row for row in folded if row["lot"] == "L-1"] == before
    assert len(folded) == 16


def test_the_two_commands_of_the_readme_are_targets_of_the_makefile_and_ci_runs_the_second() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    for target in ("demo", "test"):
        assert f"    make {target} " in readme
        assert re.search(rf"^{target}:", makefile, re.MULTILINE)
    assert "make test" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_changelog_names_every_command() -> None:
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    for command in (
        "new",
        "identity",
        "check",
        "measure",
        "seal",
        "amend",
        "assess",
        "certify",
        "countersign",
        "verify",
        "compare",
        "history",
        "coach",
        "demo",
    ):
        assert f"`{command}`" in changelog or f"`filmtally {command}`" in changelog, command


def test_every_program_that_the_makefile_names_is_one_that_set_up_can_look_for() -> None:
    import set_up

    line = next(line for line in (ROOT / "Makefile").read_text().splitlines() if line.startswith("TEST_PROGRAMS"))
    assert set(line.split(":=")[1].split()) == set(set_up.PROGRAMS)
