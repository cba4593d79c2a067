"""A printed number or word that was altered in a German certificate, with a second unit: by another's key, and by the right one."""

from __future__ import annotations

import dataclasses
import io
import json
from collections.abc import Callable
from datetime import timedelta
from functools import cache
from typing import Any

import pikepdf
import pytest

from report.assessing import judge
from report.certificate import draft
from report.evidence import Evidence
from report.identities import Identity, load_identity, make_identity
from report.pdf import UnsignedPdf, render
from report.verifying import VerificationReport, verify
from rules.verdict import Verdict
from schemas.customer import Customer
from tests.report import scenario
from tests.report.made import PASSPHRASE, drafted, identity, parts, signed

Change = Callable[[dict[str, Any]], None]


def _german() -> Evidence:
    wants = Customer.checked({"name": "Fenwick Cabinets", "language": "de", "also_in": "um"}, "customers/fenwick.toml")
    return dataclasses.replace(scenario.evidence(scenario.job(["Front face"], unit="mil")), customer=wants)


@cache
def _parts() -> tuple[dict[str, bytes], str]:
    return parts(_german())


@cache
def _foreign() -> Identity:
    """Return another key of the same name."""
    made = make_identity("Ida Brandt", "Marlowe Lane Powder Works", PASSPHRASE, scenario.ISSUED - timedelta(days=1))
    return load_identity(made, PASSPHRASE, scenario.ISSUED, "x.p12")


def _look(pdf: bytes) -> VerificationReport:
    return verify(pdf, {identity().key_sha256})


def _failed(found: VerificationReport) -> list[str]:
    return [p.name for p in found.parts if p.verdict is Verdict.FAIL]


def _said(found: VerificationReport) -> str:
    return " ".join(p.sentence for p in found.parts if p.verdict is Verdict.FAIL)


def _reprinted(old: str, new: str, document: Change | None = None, by: Identity | None = None) -> bytes:
    """Return the certificate with *new* on its pages in place of *old*, and a changed document inside, signed."""
    files, html = _parts()
    inside = dict(files)
    if document is not None:
        plain = json.loads(inside["certificate.json"])
        document(plain)
        inside["certificate.json"] = json.dumps(plain, ensure_ascii=False, indent=1).encode()
    assert old in html
    return signed(render(html.replace(old, new), inside, scenario.ISSUED), by)


def _stated(old: str, new: str) -> Change:
    """Replace a text in everything that the document says is printed."""

    def change(plain: dict[str, Any]) -> None:
        before = json.dumps(plain["stated"], ensure_ascii=False)
        assert old in before
        plain["stated"] = json.loads(before.replace(old, new))

    return change


ALTERED = [
    pytest.param("3,314", "3,514", id="mean"),
    pytest.param("3,314", "3.314", id="a point for the comma"),
    pytest.param("3,314", "3314", id="no comma"),
    pytest.param("84,2", "89,2", id="mean in the second unit"),
    pytest.param("2,83", "2,93", id="least"),
    pytest.param("0,49", "0,19", id="expanded uncertainty"),
    pytest.param("2,4\xa0–\xa04,7", "2,0\xa0–\xa04,9", id="limits"),
    pytest.param("±0,040", "±0,400", id="tolerance"),
    pytest.param("konform", "nicht konform", id="verdict"),
    pytest.param("halten die gemessenen Teile", "halten alle Teile des Loses", id="sentence"),
    pytest.param("04.03.2026", "05.03.2026", id="day"),
    pytest.param("innerhalb", "außerhalb", id="outcome of a check"),
    pytest.param("ausschließlich", "nicht nur", id="what it relates to"),
]


def test_the_certificate_is_german_and_holds() -> None:
    _, html = _parts()
    assert '<html lang="de">' in html
    found = _look(signed(drafted(_german()).pdf))
    assert [(p.name, p.sentence) for p in found.parts if p.verdict is not Verdict.PASS] == []
    assert found.states == "conforms"


@pytest.mark.parametrize(("old", "new"), ALTERED)
def test_what_the_holder_of_the_key_prints_otherwise_fails_on_the_pages(old: str, new: str) -> None:
    found = _look(_reprinted(old, new))
    assert _failed(found) == ["printed pages"]
    assert (found.parts[1].verdict, found.parts[2].verdict) == (Verdict.PASS, Verdict.PASS)


@pytest.mark.parametrize(("old", "new"), ALTERED)
def test_what_the_holder_of_the_key_prints_and_states_otherwise_fails_on_recomputation(old: str, new: str) -> None:
    found = _look(_reprinted(old, new, _stated(old, new)))
    assert _failed(found) in (["numbers"], ["printed pages"])
    assert "again" in _said(found)


@pytest.mark.parametrize(
    ("old", "new"), [("3,314", "3,514"), ("3,314", "3314"), ("2,83", "2,93"), ("konform", "nicht konform")]
)
def test_naming_another_edition_does_not_hide_an_altered_number(old: str, new: str) -> None:
    """Another edition may word things otherwise; builds and verdicts are rounded and said anew all the same."""

    def both(plain: dict[str, Any]) -> None:
        _stated(old, new)(plain)
        plain["edition"] = "0" * 16

    assert _failed(_look(_reprinted(old, new, both))) == ["numbers"]


@pytest.mark.parametrize(("old", "new"), ALTERED[:3])
def test_another_s_key_fails_on_trust_and_on_recomputation(old: str, new: str) -> None:
    found = _look(_reprinted(old, new, by=_foreign()))
    assert _failed(found) == ["signer known", "printed pages", "key as printed"]


def test_a_forger_who_makes_everything_anew_with_a_key_of_his_own_fails_on_trust_alone() -> None:
    """Other readings, computed and worded as they should be: only whose key it is tells."""
    better = scenario.evidence(_german().job, shown=[["3.30", "3.31", "3.32", "3.33", "3.34"]])
    of = dataclasses.replace(better, customer=_german().customer)
    forged = draft(of, judge(of), scenario.facts(key_sha256=_foreign().key_sha256)).pdf
    assert _failed(_look(signed(forged, _foreign()))) == ["signer known"]
    assert _failed(verify(signed(forged, _foreign()), {_foreign().key_sha256})) == []


def test_the_embedded_mean_that_is_altered_with_the_page_fails_on_recomputation() -> None:
    def change(plain: dict[str, Any]) -> None:
        _stated("3,314", "3,514")(plain)
        plain["judged"]["locations"][0]["mean"] = "1757/500"

    found = _look(_reprinted("3,314", "3,514", change))
    assert _failed(found) == ["numbers"]
    assert "Computed again" in _said(found)


def test_a_reading_altered_in_every_table_alike_still_fails_on_what_was_judged() -> None:
    """The parquet is left as it was: the tables disagree, and the numbers do."""

    def change(plain: dict[str, Any]) -> None:
        plain["readings"][0]["thickness_um"] = "95.0000"

    files, _ = _parts()
    plain = json.loads(files["certificate.json"])
    change(plain)
    unsigned = drafted(_german()).pdf
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(unsigned.content)) as pdf:
        spec = next(s for s in pdf.Root.AF if str(s.F) == "certificate.json")
        spec.EF.F.write(json.dumps(plain, ensure_ascii=False).encode())
        pdf.save(out, object_stream_mode=pikepdf.ObjectStreamMode.disable, fix_metadata_version=False)
    found = _look(signed(UnsignedPdf(out.getvalue(), unsigned.pages, unsigned.place)))
    assert _failed(found) == ["embedded tables", "numbers"]
