"""One certificate from evidence to unsigned PDF: view, pictures, document, attachments, pages."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

from report.csv_tables import csv_of
from report.document import basis, code_of, document, drawing_name
from report.evidence import Evidence, IssueFacts
from report.page import page_html
from report.page_look import PageLook, page_look
from report.pdf import UnsignedPdf, refuse_unprintable, render
from report.view import CertificateView, certificate_view
from rules.results import Assessment
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.parquet import table_of, write
from schemas.readings import READINGS


@dataclass(frozen=True, slots=True)
class Draft:
    """A certificate before it is signed, with the strings that it prints and the HTML that it was laid out from."""

    view: CertificateView
    html: str
    pdf: UnsignedPdf


def draft(
    evidence: Evidence,
    assessment: Assessment,
    facts: IssueFacts,
    look: PageLook | None = None,
    *,
    is_draft: bool = False,
) -> Draft:
    """Return the unsigned certificate; the same input gives the same bytes.

    Args:
        evidence: What it states.
        assessment: What the rules say of it.
        facts: Number, date, signer and the like.
        look: Colour, logo and drawing; made from *evidence* where it is left out.
        is_draft: Whether it is only to be looked at, and says so.

    Raises:
        BadInput: It would print a character that no bundled font has, or names a person whom the
            shop does not know.
    """
    look = look or page_look(evidence)
    known = basis(evidence, assessment, facts)
    view = certificate_view(evidence, assessment, facts, code_of(known), is_draft=is_draft)
    refuse_unprintable(view.stated())
    html = page_html(view, evidence, assessment, look, facts.issued_at)
    return Draft(view, html, render(html, attachments(evidence, known, view, look), facts.issued_at, look.files()))


def attachments(
    evidence: Evidence, known: dict[str, Any], view: CertificateView, look: PageLook | None = None
) -> dict[str, bytes]:
    """Return the files that go into the certificate, by name; with its logo the pages can be laid out anew."""
    files = {
        "certificate.json": document(known, view),
        "gauge_checks.csv": csv_of(GAUGE_CHECKS, evidence.checks),
        "readings.csv": csv_of(READINGS, evidence.readings),
        "readings.parquet": _parquet(evidence),
    }
    if evidence.drawing is not None:
        files[drawing_name(evidence.drawing)] = evidence.drawing.content
    if look is not None and look.logo is not None:
        files[f"logo.{look.logo.kind}"] = look.logo.content
    return files


def _parquet(evidence: Evidence) -> bytes:
    out = io.BytesIO()
    write(READINGS, table_of(READINGS, evidence.readings), out)
    return out.getvalue()
