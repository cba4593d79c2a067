"""docs/certificate_content.md names only what a certificate prints."""

from __future__ import annotations

import re
from pathlib import Path

from schemas.vocabulary import Demand
from tests.templates_said import templates

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "certificate_content.md").read_text(encoding="utf-8")


def test_every_word_of_the_table_is_printed() -> None:
    said = templates(ROOT / "report")
    rows = [line for line in PAGE.splitlines() if line.startswith("| ") and not line.startswith("| item")]
    named = {word for row in rows for word in re.findall(r"`([^`]+)`", row.rsplit("|", 2)[1])}
    assert len(named) > 40
    assert sorted(named - said.keys()) == []


def test_every_letter_of_17025_7_8_2_1_has_its_row() -> None:
    """ISO/IEC 17025:2017, 7.8.2.1: items a to p."""
    rows = re.findall(r"7\.8\.2\.1 ([a-p])\b", PAGE)
    assert sorted(set(rows)) == list("abcdefghijklmnop")


def test_every_demand_is_checked() -> None:
    from report.demands import _CHECKS

    assert set(_CHECKS) == set(Demand)
