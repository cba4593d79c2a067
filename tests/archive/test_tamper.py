"""Tampering of every kind, once each, with single files and folded months; the long form is in `make campaign`."""

from __future__ import annotations

from bench.tamper import KINDS, campaign


def test_every_kind_of_tampering_is_found_and_named() -> None:
    found = campaign(len(KINDS), seed=7)
    assert found["failed"] == []
    assert found["by"] == {kind: {"times": 1, "found": 1, "named": 1} for kind in KINDS}
