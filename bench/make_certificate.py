"""One certificate of 12 locations × 5 readings, against the same HTML rendered and signed bare, and against reportlab. Milliseconds."""

from __future__ import annotations

import io
import statistics
import time
from collections.abc import Callable
from typing import Any, Final

import weasyprint
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import getSampleStyleSheet
from reportlab.platypus import Paragraph, SimpleDocTemplate, Table

from report import pdf as our_pdf
from report.assessing import judge
from report.certificate import attachments, draft, html_of
from report.pdf import UnsignedPdf
from tests.report import scenario
from tests.report.made import drafted, signed

RUNS: Final = 9


def rows() -> list[dict[str, Any]]:
    """Return two rows; ours and the floors alternate, medians."""
    of = scenario.evidence()
    assessment, facts = judge(of), scenario.facts()
    made = draft(of, assessment, facts)
    html = html_of(made.view, of, assessment, facts)
    inside = attachments(of, assessment, facts, made.view)

    def ours() -> None:
        signed(drafted(of).pdf)

    def bare() -> None:
        signed(_bare(html, inside, made.pdf))

    times = _alternated({"ours": ours, "bare": bare, "reportlab": lambda: _reportlab(made.view)})
    return [
        _row("one certificate, 12 × 5, signed, ms; floor: WeasyPrint on the same HTML, warm, and signing", times, "bare", "at most 1.15 x"),
        _row("one certificate, 12 × 5, signed, ms; floor: the same content by reportlab, unsigned", times, "reportlab", "at most 15 x"),
    ]  # fmt: skip


def _alternated(work: dict[str, Callable[[], None]]) -> dict[str, float]:
    taken: dict[str, list[float]] = {name: [] for name in work}
    for run in range(RUNS + 1):
        for name, do in work.items():
            start = time.perf_counter()
            do()
            if run:  # the first warms up
                taken[name].append((time.perf_counter() - start) * 1000)
    return {name: statistics.median(values) for name, values in taken.items()}


def _row(name: str, times: dict[str, float], floor: str, aim: str) -> dict[str, Any]:
    return {
        "name": name,
        "floor": round(times[floor], 1),
        "ours": round(times["ours"], 1),
        "ratio": round(times["ours"] / times[floor], 2),
        "aim": aim,
    }


def _bare(html: str, inside: dict[str, bytes], like: UnsignedPdf) -> UnsignedPdf:
    """Render the same HTML with the same fonts and options, and nothing of ours around it."""
    fonts, sheet = our_pdf._kit()
    files = [
        weasyprint.Attachment(
            file_obj=io.BytesIO(inside[name]), name=name, created=scenario.ISSUED, modified=scenario.ISSUED
        )
        for name in sorted(inside)
    ]
    document = weasyprint.HTML(string=html, base_url="asset:", url_fetcher=our_pdf._AssetFetcher())
    content = document.write_pdf(stylesheets=[sheet], font_config=fonts, pdf_variant="pdf/a-3a", attachments=files)
    return UnsignedPdf(content, like.pages, like.place)


def _reportlab(view: Any) -> None:
    style = getSampleStyleSheet()
    story: list[Any] = [Paragraph(view.number, style["Title"]), Paragraph(view.verdict, style["Heading1"])]
    story += [
        Paragraph(f"{f.label}: {f.text}", style["Normal"])
        for f in (*view.order, *view.process, *view.gauge, *view.rule)
    ]
    story.append(Table([[b.location, b.limits, b.count, b.mean, b.least, b.greatest, b.verdict] for b in view.builds]))
    story.append(
        Table([[c.occasion, c.done, c.standard, c.certified, c.mean, c.error, c.outcome] for c in view.checks])
    )
    story.append(Table([[r.number, r.time, r.piece, r.location, r.spot, r.shown, r.build] for r in view.readings]))
    SimpleDocTemplate(io.BytesIO(), pagesize=A4).build(story)
