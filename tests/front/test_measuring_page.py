"""docs/measuring.md: its commands run one after the other as on the shop floor, and its tables and files are those of the program."""

from __future__ import annotations

import argparse
import io
import json
import re
import shlex
import sys
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from filmtally import main
from ingest.links.address import SCHEMES, address_of
from ingest.plain_lines import _WORDS
from ingest.work_orders import COLUMNS, read_orders
from schemas.shop import Orders

PAGE = (Path(__file__).parents[2] / "docs" / "measuring.md").read_text(encoding="utf-8")
#: What needs a device, or a person at a terminal (tests/front/test_starting_at_a_terminal.py has that one).
NOT_RUN = ("filmtally measure --list-links", "filmtally teach --help", "filmtally measure")
#: What is typed where readings are typed: five for the whole plan, two of them, two more.
TYPED = {
    "filmtally measure bracket": ("3.1\n3.2\n3.3\n3.4\n3.5\n", 0, "sealed, 5 readings counted"),
    "filmtally measure --work-order": ("3.1\n3.2\n", 2, "taken 2: "),
    "filmtally measure --resume": ("3.3\n3.4\n", 2, "taken 4: "),
}


def _indented() -> list[str]:
    """Return the blocks of indented lines."""
    return [re.sub(r"^    ", "", block, flags=re.M) for block in re.findall(r"(?:^    .*\n)+", PAGE, flags=re.M)]


def _commands() -> Iterator[str]:
    for block in _indented():
        yield from (line for line in block.splitlines() if line.startswith("filmtally "))


def test_the_commands_of_the_page_do_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    clock = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
    assert main(["new", "my-shop"], now=lambda: clock) == 0
    monkeypatch.chdir("my-shop")
    (table,) = [block for block in _indented() if block.startswith("work_order;")]
    Path("orders.csv").write_text(table, encoding="utf-8")
    ran = set()
    for command in _commands():
        if command in NOT_RUN:
            continue
        clock += timedelta(minutes=2)
        typed, code, shown = next((how for start, how in TYPED.items() if command.startswith(start)), ("", 0, ""))
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        capsys.readouterr()
        assert main(shlex.split(command)[1:], now=lambda at=clock: at) == code, command
        out = capsys.readouterr().out
        assert shown in out, command
        if command.endswith("--open"):
            assert "bracket, lot 4713" in out
        if command.endswith("--open --json"):
            (one,) = json.loads(out)["open"]
            assert (one["work_order"], one["readings_counted"], one["held"]) == ("7001", 2, False)
        ran.add(command)
    assert len(ran) >= 9
    assert set(NOT_RUN) <= set(_commands())


def test_every_command_and_option_that_is_not_run_is_one_of_the_program(capsys: pytest.CaptureFixture[str]) -> None:
    for command in NOT_RUN:
        word, *options = shlex.split(command)[1:]
        with pytest.raises(SystemExit):
            main([word, "--help"])
        out = capsys.readouterr().out
        if word == "teach" and not out:
            pytest.xfail("teach is not joined yet")
        assert all(option in out for option in options), command


def test_the_table_and_the_settings_of_the_page_are_read() -> None:
    (table,) = [block for block in _indented() if block.startswith("work_order;")]
    assert tuple(table.splitlines()[0].split(";")) == COLUMNS
    found = read_orders(table.encode(), "orders.csv").find("7001")
    assert found is not None
    assert (found.job, found.lot, found.pieces, found.purchase_order) == ("bracket", "4713", 1, "PO-88")
    (settings,) = [block for block in _indented() if block.startswith("[orders]")]
    orders = Orders.model_validate(tomllib.loads(settings)["orders"])
    assert orders.scanned is not None
    code = re.compile(orders.scanned)
    scanned = read_orders(table.encode(), "orders.csv", code).find("*WO-7001-3*")
    assert scanned == found


def test_every_link_of_the_page_is_an_address_and_every_kind_of_link_stands_there() -> None:
    (links,) = re.findall(r"\| the gauge \|.*?\n\n", PAGE, flags=re.S)
    written = re.findall(r"`([^`]+)`", links)
    kinds = {address_of(text).scheme for text in written}
    assert kinds == set(SCHEMES) - {"pipe"}


def test_the_words_of_the_page_are_words_of_the_plain_lines() -> None:
    said = set(re.findall(r"`(@[a-z-]+)", PAGE)) - {"@location", "@base", "@coated"}  # which the taking itself obeys
    assert said
    assert said <= set(_WORDS)


def test_the_keys_of_the_page_are_those_of_the_screen() -> None:
    entry = pytest.importorskip("ingest.screen_entry", reason="the screen is not joined yet")
    (table,) = re.findall(r"\| key \| letter \| does \|\n.*?\n\n", PAGE, flags=re.S)
    rows = [tuple(cell.strip() for cell in row.split("|")[1:4]) for row in table.splitlines()[2:] if row]
    hints = [entry.HELP_HINT, *(hint for _, hint in entry.KEYS)]
    assert rows == [(hint.key, hint.letter, hint.does) for hint in hints]


def test_the_parser_of_the_page_is_that_of_the_front_door() -> None:
    """Every option that the page names in its sentences exists."""
    from ingest import measure_commands

    parser = argparse.ArgumentParser()
    measure_commands.register(parser.add_subparsers())
    known = parser._subparsers._group_actions[0].choices["measure"].format_help()  # type: ignore[union-attr,index]
    for option in ("--link", "--plain", "--work-order", "--open", "--resume", "--list-links"):
        assert option in PAGE
        assert option in known
