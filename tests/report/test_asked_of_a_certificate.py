"""What is asked before a certificate is made, and what its page says where that is not plain."""

from __future__ import annotations

import dataclasses
import json
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from archive.shop_folder import ShopFolder
from archive.store import Archive
from report.assessing import judge
from report.evidence import Drawing, Evidence
from report.printed import page_texts
from report.view import CertificateView, certificate_view
from schemas.customer import Customer
from schemas.errors import BadInput
from tests.front.shop import FrontDoor, sample_shop
from tests.report import scenario


@pytest.fixture
def door(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> FrontDoor:
    monkeypatch.delenv("FILMTALLY_PASSPHRASE", raising=False)
    return FrontDoor(sample_shop(tmp_path / "shop"), capsys)


def _customer(door: FrontDoor, name: str, text: str) -> None:
    folder = door.folder / "customers"
    folder.mkdir(exist_ok=True)
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")


def _view(of: Evidence, **facts: Any) -> CertificateView:
    return certificate_view(of, judge(of), scenario.facts(**facts))


def test_a_customer_s_name_with_other_blanks_and_case_is_the_same_customer(door: FrontDoor) -> None:
    _customer(door, "hollin", 'name = "hollin and  Wray garden works"\nlanguage = "de"\n')
    found = ShopFolder(door.folder).customer("Hollin and Wray Garden Works")
    assert found is not None
    assert found.language == "de"


def test_a_customer_s_name_that_looks_mistyped_stops_the_certificate(door: FrontDoor) -> None:
    _customer(door, "hollin", 'name = "Hollin and Vray Garden Works"\ndemands = ["packing-slip"]\n')
    answer = door("certify", door.covered_lot(), *door.signed_in())
    assert answer.code == 2
    assert (
        "hollin.toml is of 'Hollin and Vray Garden Works', and the order is of 'Hollin and Wray Garden Works'"
        in answer.sentence
    )
    _customer(door, "hollin", 'name = "Somebody Else"\n')
    assert ShopFolder(door.folder).customer("Hollin and Wray Garden Works") is None


def test_parts_cannot_have_come_in_after_they_were_measured(door: FrontDoor) -> None:
    inspection = door.covered_lot()
    answer = door("certify", inspection, *door.signed_in(), "--received", "2026-11-20")
    assert answer.code == 2
    assert "measured on 2026-11-03, so they cannot have come in on 2026-11-20" in answer.sentence


def test_a_type_that_was_asked_for_by_option_is_not_the_customer_s_wish(door: FrontDoor) -> None:
    answer = door("certify", door.covered_lot(), "--signer", "oj", "--type", "3.1")
    assert answer.code == 2
    assert (
        "since type 3.1 of EN 10204 needs what is missing: a signer who is independent of production" in answer.sentence
    )


def test_what_does_not_conform_claims_no_type_of_en_10204(door: FrontDoor) -> None:
    """EN 10204: a 3.1 declares that the products comply with the order (from memory)."""
    _customer(door, "hollin", 'name = "Hollin and Wray Garden Works"\ndocument_type = "3.1"\n')
    failing = door.covered_lot(fit="80.0 um")
    assert door("certify", failing, *door.signed_in()).code == 1
    (entry,) = Archive(door.folder / "archive", "look").certificates()
    assert entry.verdict == "FAIL"
    (pdf,) = (door.folder / "certificates").glob("*.pdf")
    text = "".join(page_texts(pdf.read_bytes()))
    assert "doesnotconform" in text
    assert "EN10204" not in text
    answer = door("certify", failing, *door.signed_in(), "--type", "3.1", "--why", "asked again")
    assert answer.code == 2
    assert "a lot that conforms" in answer.sentence


def test_a_register_that_cannot_be_written_leaves_no_signed_pdf_behind(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    inspection = door.covered_lot()
    signer = door.signed_in()

    def full(*_: Any) -> None:
        raise BadInput("the disk is full; nothing was changed")

    monkeypatch.setattr(Archive, "commit_certificate", full)
    assert door("certify", inspection, *signer, "--html").code == 2
    assert [path.name for path in (door.folder / "certificates").iterdir()] == []


def test_only_checks_of_the_probe_that_was_used_are_shown_and_each_with_its_number() -> None:
    other = [
        dataclasses.replace(c, check_id="E-1", probe_mode="eddy-current")
        for c in scenario.opening(scenario.BEGAN - timedelta(minutes=2))
    ]
    of = scenario.evidence(checks=[*scenario.opening(), *other, *scenario.closing()])
    view = _view(of)
    assert len(view.checks) == 6
    assert [row.done.rsplit(" ", 1)[1] for row in view.checks] == ["C-1", "IDA", "IDA", "C-2", "IDA", "IDA"]


def test_a_note_with_letters_that_no_certificate_prints_is_printed_by_their_codes() -> None:
    notes = json.dumps([{"at": None, "by": "IDA", "what": "\U0001f44d good"}])
    assert "Note by IDA: \\U0001f44d good" in _view(scenario.evidence(inspection={"notes_json": notes})).not_measured


def test_how_pieces_were_chosen_is_said_where_some_were_not_measured() -> None:
    said = "How the pieces that were measured were chosen is not recorded."
    assert said in _view(scenario.evidence()).not_measured
    assert said not in _view(scenario.evidence(inspection={"lot_size": 1})).not_measured


def test_an_address_that_nobody_stated_is_said_to_be_missing() -> None:
    of = scenario.evidence(scenario.job(customer_address=None))
    assert {f.label: f.text for f in _view(of).order}["Address"] == "not stated"
    known = dataclasses.replace(of, customer=Customer(name=of.job.customer, contact="Goods inwards"))
    assert "Address" not in {f.label for f in _view(known).order}


def test_beside_a_cross_on_the_drawing_stands_the_reading_that_is_out_of_its_limits() -> None:
    job = scenario.job(["face"], drawing="door.svg")
    job = job.model_copy(
        update={
            "location": tuple(p.model_copy(update={"point": (Decimal("0.5"), Decimal("0.5"))}) for p in job.location)
        }
    )
    drawing = Drawing("svg", b"<svg/>")
    for figures, said in (
        (["55.0", "90", "90"], "least 55.0 µm"),
        (["131", "90", "90"], "greatest 131.0 µm"),
        (["140", "150", "160"], "150.00 µm"),
    ):
        of = dataclasses.replace(
            scenario.evidence(job, shown=[[f"{Decimal(f):.1f}" for f in figures]]), drawing=drawing
        )
        assert [label.text.replace("\u00a0", " ") for label in _view(of).drawing] == [said]


def test_a_customer_may_leave_out_what_can_be_done_and_the_shop_s_own_screen_does_not() -> None:
    of = scenario.evidence(shown=[["30.5", "90", "90", "90", "90"], *scenario.figures(11, 5)])
    assert _view(of).advice
    without = dataclasses.replace(of, customer=Customer(name=of.job.customer, advice=False))
    assert _view(without).advice == ()
    assert judge(without).advice


def test_a_verdict_with_a_condition_says_so_in_the_word_itself() -> None:
    near = [["62.0", "62.1", "61.9", "62.0", "62.0"], *scenario.figures(11, 5)]
    of = scenario.evidence(scenario.job(decision={"rule": "four-way"}), shown=near)
    assert (judge(of).verdict.name, _view(of).verdict) == ("PASS", "conforms, conditionally")
