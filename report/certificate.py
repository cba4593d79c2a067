"""One certificate from evidence to unsigned PDF: view, pictures, document, attachments, pages."""

from __future__ import annotations

import io
from dataclasses import dataclass

from report import pictures
from report.csv_tables import csv_of
from report.document import document
from report.evidence import Evidence, IssueFacts
from report.pdf import UnsignedPdf, certificate_html, refuse_unprintable, render
from report.view import CertificateView, certificate_view
from rules.results import Assessment
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.parquet import table_of, write
from schemas.readings import READINGS


@dataclass(frozen=True, slots=True)
class Draft:
    """A certificate before it is signed, with the strings that it prints."""

    view: CertificateView
    pdf: UnsignedPdf


def draft(evidence: Evidence, assessment: Assessment, facts: IssueFacts) -> Draft:
    """Return the unsigned certificate; the same input gives the same bytes.

    Raises:
        BadInput: It would print a character that no bundled font has, or names a person whom the
            shop does not know.
    """
    view = certificate_view(evidence, assessment, facts)
    refuse_unprintable(view.stated())
    return Draft(
        view,
        render(
            html_of(view, evidence, assessment, facts), attachments(evidence, assessment, facts, view), facts.issued_at
        ),
    )


def html_of(view: CertificateView, evidence: Evidence, assessment: Assessment, facts: IssueFacts) -> str:
    """Return the HTML that the certificate's pages are laid out from."""
    scale = pictures.scale_of(assessment.locations)
    strips = tuple(
        pictures.strip(place, scale, row.picture) for place, row in zip(assessment.locations, view.builds, strict=True)
    )
    return certificate_html(view, pictures.axis(scale), strips, evidence.inspection.lot, facts.issued_at)


def attachments(
    evidence: Evidence, assessment: Assessment, facts: IssueFacts, view: CertificateView
) -> dict[str, bytes]:
    """Return the files that go into the certificate, by name."""
    return {
        "certificate.json": document(evidence, assessment, facts, view),
        "gauge_checks.csv": csv_of(GAUGE_CHECKS, evidence.checks),
        "readings.csv": csv_of(READINGS, evidence.readings),
        "readings.parquet": _parquet(evidence),
    }


def _parquet(evidence: Evidence) -> bytes:
    out = io.BytesIO()
    write(READINGS, table_of(READINGS, evidence.readings), out)
    return out.getvalue()
