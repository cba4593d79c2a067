"""A clear coat over a base coat: the base coat is read first, subtracted, and what one gauge reads twice cancels."""

from __future__ import annotations

import io
import json
import sys

import pytest

from archive.store import Archive
from tests.front.shop import FrontDoor

JOB = """
title = "Rail, base and clear"
customer = "Sallow Vale Parks Trust"
part_no = "SV-9"
substrate = "mild steel"
probe_mode = "magnetic"
unit = "um"
base_reading = true
base_is = "earlier-coat"
rule = { name = "location-means" }
location = [{ name = "rail", lower = 50, upper = 90, readings_per_spot = 3 }]
"""
TYPED = "@base rail\n60\n61\n62\n@coated\n130\n131\n132\n"


@pytest.mark.parametrize(("adjusted", "accuracy"), [(False, 0.7 / 3**0.5), (True, (2.31**2 + 1.61**2) ** 0.5 / 3**0.5)])
def test_the_second_coat_is_the_difference_and_its_uncertainty_knows_who_read_both(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, adjusted: bool, accuracy: float
) -> None:
    """JCGM 100, 5.2.2 (from memory): with one gauge the constant part of a + b·t cancels, b times the difference stays.

    By hand, gauge FB-11 with 1 µm + 1 %: together 1 % of 70 µm is 0.7 µm; apart 1 + 1.31 and 1 + 0.61 µm, both rectangular.
    """
    (door.folder / "jobs" / "rail.toml").write_text(JOB, encoding="utf-8")
    door.verify_gauge("opening", "2026-11-25T09:00")
    monkeypatch.setattr(sys, "stdin", io.StringIO(TYPED))
    taken = door("measure", "rail", "--lot", "R-1", "--inspector", "mk", "--gauge", "FB-11", "--coats", "2")
    assert taken.code == 0, taken
    if adjusted:
        # Between the first and the last reading, as far as the archive can tell: both were typed at this moment.
        door(
            "check", "adjustment", "--gauge", "FB-11", "--mode", "magnetic", "--by", "mk", "--at", door.now.isoformat()
        )
    archive = Archive(door.folder / "archive", "look")
    (one,) = archive.inspections()
    stages = {r.coat_stage for r in archive.reading_records(one.inspection_id)}
    assert stages == {"earlier-coat", "total"}
    found = json.loads(door("assess", "R-1", "--json").out)
    (place,) = found["locations"]
    assert place["mean"] == "70.0"
    (component,) = [c for c in place["uncertainty_um"]["components"] if c["name"] == "gauge accuracy"]
    assert component["standard"] == pytest.approx(accuracy, rel=1e-6)
