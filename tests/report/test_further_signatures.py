"""After the release only further signatures may be added, and each of them has to be known as well."""

from __future__ import annotations

import io
from datetime import timedelta
from functools import cache

import pytest
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

from report.identities import Identity, load_identity, make_identity
from report.verifying import VerificationReport, verify
from rules.verdict import Verdict
from schemas.errors import IntegrityFailed
from tests.report import scenario
from tests.report.made import PASSPHRASE, identity, whole


@cache
def _receiver() -> Identity:
    made = make_identity("Ola Receiver", "Fenwick Cabinets", PASSPHRASE, scenario.ISSUED - timedelta(days=1))
    return load_identity(made, PASSPHRASE, scenario.ISSUED, "receiver.p12")


@cache
def _with_approval(visible: bool = False) -> bytes:
    """Return a certificate with a second signature, made by pyHanko alone as another party would."""
    box = (10, 10, 110, 40) if visible else None
    spec = fields.SigFieldSpec("Receipt", on_page=0, box=box)
    meta = signers.PdfSignatureMetadata(
        field_name="Receipt", subfilter=fields.SigSeedSubFilter.PADES, md_algorithm="sha256"
    )
    signer = signers.PdfSigner(meta, signer=_receiver().signer, new_field_spec=spec)
    signed: bytes = signer.sign_pdf(IncrementalPdfFileWriter(io.BytesIO(whole()))).getvalue()
    return signed


def _verdicts(found: VerificationReport) -> dict[str, Verdict]:
    return {p.name: p.verdict for p in found.parts}


def test_a_further_signature_by_a_known_key_leaves_the_certificate_good() -> None:
    found = verify(_with_approval(), {identity().key_sha256, _receiver().key_sha256})
    assert [p.sentence for p in found.parts if p.verdict is not Verdict.PASS] == []
    assert [name for name, _ in found.signers] == ["Ida Brandt", "Ola Receiver"]


def test_a_further_signature_by_an_unknown_key_is_not_taken_for_known() -> None:
    """It takes nothing from the release, which is known."""
    found = verify(_with_approval(), {identity().key_sha256})
    assert _verdicts(found)["signer known"] is Verdict.UNDECIDED
    said = next(p.sentence for p in found.parts if p.name == "signer known")
    assert "Not known for an approval: Ola Receiver" in said
    assert "Known for the release: Ida Brandt" in said


def test_a_known_further_signer_does_not_vouch_for_an_unknown_releaser() -> None:
    assert _verdicts(verify(_with_approval(), {_receiver().key_sha256}))["signer known"] is Verdict.FAIL


def test_a_further_signature_that_draws_over_a_page_is_more_than_was_allowed() -> None:
    found = verify(_with_approval(visible=True), {identity().key_sha256, _receiver().key_sha256})
    assert _verdicts(found)["signature intact"] is Verdict.FAIL


def test_the_further_signature_can_be_cut_off_again_and_the_release_still_holds() -> None:
    """An approval is the receiver's own; without it the file is byte for byte what the shop issued."""
    assert _with_approval()[: len(whole())] == whole()
    assert verify(whole(), {identity().key_sha256}).holds


@pytest.mark.parametrize("kind", [b"/ETSI.CAdES.detached", b"/Sig"])
def test_a_further_signature_that_hides_from_the_list_is_missed_by_its_bytes(kind: bytes) -> None:
    """pyHanko leaves out of its list a signature whose kind it does not know; the bytes still show it."""
    signed = _with_approval()
    at = signed.rindex(kind)
    changed = signed[: at + 1] + b"x" + signed[at + 2 :]
    try:
        found = verify(changed, {identity().key_sha256, _receiver().key_sha256})
    except IntegrityFailed:
        return
    assert any(p.verdict is Verdict.FAIL for p in found.parts)
