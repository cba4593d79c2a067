"""From the strings of a certificate to the HTML that its pages are laid out from."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from report import pictures
from report.evidence import Evidence
from report.languages import Presentation, presentation_of
from report.outside_pictures import OutsidePicture
from report.page_facts import Fact
from report.page_look import PageLook
from report.part_drawing import PartDrawing, Place, part_drawing
from report.part_drawing import Verdict as Mark
from report.short_code import qr
from report.view import CertificateView
from rules.results import Assessment
from rules.sentence import said
from rules.verdict import Verdict

_TEMPLATES: Final = files("report") / "templates"
#: A logo is at most so wide and so high, in mm.
_LOGO_MM: Final = (50.0, 16.0)
#: What the margins leave of a page's width, in mm.
_WIDTH_MM: Final = {"A4": 182.0, "Letter": 187.9}
#: So high a drawing fits on page one beside a dozen locations, in mm.
_DRAWING_MM: Final = {"A4": 78.0, "Letter": 68.0}
#: What every block takes of it that not all certificates have.
_BLOCK_MM: Final = 5.0
#: So many characters of a labelled line stand beside its label; more go on below.
_LINE: Final = 34
_MARKS: Final[dict[Verdict, Mark]] = {
    Verdict.PASS: "conforms",
    Verdict.UNDECIDED: "undecided",
    Verdict.FAIL: "does not conform",
}


def page_html(
    view: CertificateView, evidence: Evidence, assessment: Assessment, look: PageLook, stamp: datetime
) -> str:
    """Return the HTML of a certificate.

    Args:
        view: Its strings.
        evidence: What it is made from, for its pictures.
        assessment: What the rules say of it, for its pictures.
        look: Colour, logo and drawing.
        stamp: The date that the file carries inside.
    """
    written = presentation_of(evidence.shop, evidence.customer)
    scale = pictures.scale_of(assessment.locations)
    strips = [
        pictures.strip(place, scale, row.picture, assessment.unit)
        for place, row in zip(assessment.locations, view.builds, strict=True)
    ]
    lot = evidence.inspection.lot
    drawing = None if look.drawing is None else _drawing(view, evidence, assessment, look.drawing, written)
    html: str = _template().render(
        v=view,
        halves=_halves(view.order + view.process),
        t=written.word,
        look=look,
        logo=None
        if look.logo is None
        else look.logo.markup(written.text(said("Logo of {shop}", shop=view.shop_name)), "logo"),
        logo_width=_logo_width(look),
        qr=qr(view.code_text, written.text(said("Number and code of this certificate, for a reader of QR codes"))),
        drawing=None
        if drawing is None or look.drawing is None
        else drawing.markup(look.drawing.markup(_title(evidence, written), "drawing")),
        numbered=drawing is not None and drawing.way == "numbers",
        axis=pictures.axis(scale, written),
        strips=strips,
        description=written.text(said("Film build of lot {lot}: {verdict}", lot=lot, verdict=view.verdict)),
        stamp=_w3c(stamp),
    )
    return html


def _drawing(
    view: CertificateView, evidence: Evidence, assessment: Assessment, drawing: OutsidePicture, written: Presentation
) -> PartDrawing:
    """Return where on the drawing of the part every location's mean stands."""
    points = {place.name: place.point for place in evidence.job.location}
    verdicts = {place.location: place.verdict for place in assessment.locations}
    numbers = {row.location: number for number, row in enumerate(view.builds, 1)}
    places = []
    for label in view.drawing:
        point = points[label.location]
        assert point is not None  # noqa: S101 - only such a location has a label
        x, y = (float(share) for share in point)
        places.append(
            Place(numbers[label.location], label.location, label.text, x, y, _MARKS[verdicts[label.location]])
        )
    marks = written.text(said("Marks: {marks}", marks="; ".join(f"{p.location} {p.value}" for p in places)))
    return part_drawing(places, drawing.aspect, marks, _WIDTH_MM[view.page], _drawing_mm(view))


def _drawing_mm(view: CertificateView) -> float:
    """Return how high the drawing may be, so that it stays on page one where it can."""
    blocks = (view.draft, view.supersedes, view.document_type, view.statement, view.deviation)
    return _DRAWING_MM[view.page] - _BLOCK_MM * sum(1 for text in blocks if text)


def _halves(facts: tuple[Fact, ...]) -> tuple[tuple[Fact, ...], tuple[Fact, ...]]:
    """Return labelled lines in two columns, read one after the other, of which the longer is as short as can be."""
    lines = [math.ceil(len(f.text) / _LINE) for f in facts]
    at = min(range(len(facts) + 1), key=lambda n: max(sum(lines[:n]), sum(lines[n:])))
    return facts[:at], facts[at:]


def _title(evidence: Evidence, written: Presentation) -> str:
    return written.text(said("Drawing of {part}", part=evidence.job.title))


def _logo_width(look: PageLook) -> float:
    if look.logo is None:
        return 0.0
    widest, highest = _LOGO_MM
    return round(min(widest, highest * look.logo.aspect), 2)


@cache
def _template() -> Any:
    def load(name: str) -> str:
        return (_TEMPLATES / name).read_text(encoding="utf-8")

    environment = Environment(
        loader=FunctionLoader(load), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["css"] = css_string
    return environment.get_template("certificate.html")


def css_string(text: str) -> Markup:
    """Return *text* as a CSS string inside a style element: whatever is no letter, digit or blank by its code.

    The blank behind a code ends it; it is none of the text.
    """
    return Markup('"' + "".join(c if c.isalnum() or c == " " else f"\\{ord(c):x} " for c in text) + '"')  # noqa: S704 - escaped just here


def _w3c(stamp: datetime) -> str:
    return stamp.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
