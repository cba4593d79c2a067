"""A signed certificate is still PDF/A-3. Signing adds a version, a form, a picture and a font, each a way out of it.

Clauses are those of ISO 19005-3, cited from memory; the values come from the file and its fonts.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

import pikepdf
import pytest
from fontTools.ttLib import TTFont

from tests.report.made import approved, second, signed, whole, with_approvals


def _once() -> bytes:
    return whole()


@cache
def _twice() -> bytes:
    return approved(whole(), second())


@cache
def _in_places() -> bytes:
    return approved(signed(with_approvals("Quality manager", "Customer")), second())


SIGNED = pytest.mark.parametrize(
    "pdf_of",
    [_once, _twice, _in_places],
    ids=["once", "twice, the second not drawn", "twice, in the places made for it"],
)


@SIGNED
def test_signing_leaves_the_file_pdf_1_7(pdf_of: Callable[[], bytes]) -> None:
    """6.1.2: PDF/A-3 is PDF 1.n; an entry in the catalog overrides the header (ISO 32000-1, 7.2.2)."""
    with pikepdf.open(io.BytesIO(pdf_of())) as pdf:
        assert str(pdf.Root.get("/Version", "/1.7")) == "/1.7"
        extensions = list(pdf.Root.get("/Extensions", {}).values())
        assert [str(e.BaseVersion) for e in extensions] == ["/1.7"] * len(extensions)
        assert pdf.pdf_version == "1.7"


def _fonts(pdf: Any) -> Iterator[Any]:
    for entry in pdf.objects:
        if isinstance(entry, pikepdf.Dictionary) and entry.get("/Type") == "/Font":
            yield entry


@SIGNED
def test_every_font_is_embedded_the_signature_block_s_too(pdf_of: Callable[[], bytes]) -> None:
    """6.2.11.4.1: every font that is used is embedded."""
    with pikepdf.open(io.BytesIO(pdf_of())) as pdf:
        simple = [f for f in _fonts(pdf) if f.Subtype not in ("/Type0", "/CIDFontType2", "/CIDFontType0")]
        descriptors = [f.FontDescriptor for f in _fonts(pdf) if f.Subtype in ("/CIDFontType2", "/CIDFontType0")]
        assert simple == []
        drawn = 2 if pdf_of is _in_places else 1
        assert len(descriptors) == 3 + drawn  # three weights on the pages, one in each signature block
        assert all("/FontFile2" in d or "/FontFile3" in d for d in descriptors)


@SIGNED
def test_the_widths_in_the_file_are_those_of_the_fonts(pdf_of: Callable[[], bytes]) -> None:
    """6.2.11.5: widths in the file and in the font agree; off by the units of the em, letters stand apart."""
    checked = 0
    with pikepdf.open(io.BytesIO(pdf_of())) as pdf:
        for font in _fonts(pdf):
            if font.Subtype != "/CIDFontType2":
                continue
            inside = TTFont(io.BytesIO(font.FontDescriptor.FontFile2.read_bytes()))
            to_thousandths = 1000 / inside["head"].unitsPerEm
            order = inside.getGlyphOrder()
            for glyph, width in _widths(font.W):
                in_font = inside["hmtx"][order[glyph]][0] * to_thousandths
                # WeasyPrint and pyHanko write whole thousandths.
                assert abs(in_font - width) <= 1, (str(font.BaseFont), glyph)
                checked += 1
    assert checked > 100


def _widths(array: Any) -> Iterator[tuple[int, float]]:
    """Yield glyph and width of a W array, which holds: first [w w w], or first last w (ISO 32000-1, 9.7.4.3)."""
    entries = list(array)
    while entries:
        first = int(entries.pop(0))
        second = entries.pop(0)
        if isinstance(second, pikepdf.Array):
            for i, width in enumerate(second):
                yield first + i, float(width)
        else:
            width = float(entries.pop(0))
            for glyph in range(first, int(second) + 1):
                yield glyph, width


@SIGNED
def test_nothing_hangs_on_the_machine_that_opens_it(pdf_of: Callable[[], bytes]) -> None:
    """6.1.3 and 6.5: no encryption, no script, no action when the file is opened."""
    with pikepdf.open(io.BytesIO(pdf_of())) as pdf:
        assert not pdf.is_encrypted
        assert [key for key in ("/OpenAction", "/AA", "/JavaScript") if key in pdf.Root] == []
        assert "/JavaScript" not in pdf.Root.Names


@SIGNED
def test_the_signature_block_has_an_appearance_and_is_printed(pdf_of: Callable[[], bytes]) -> None:
    """6.3.3 and 6.3.2: a widget has an appearance; it prints and is neither hidden nor unviewable."""
    prints, hidden, no_view = 4, 2, 32
    with pikepdf.open(io.BytesIO(pdf_of())) as pdf:
        widgets = [a for page in pdf.pages for a in page.get("/Annots", []) if a.Subtype == "/Widget"]
        assert len(widgets) == {_once: 1, _twice: 2, _in_places: 3}[pdf_of]
        for widget in widgets:
            flags = int(widget.F)
            assert (flags & prints, flags & hidden, flags & no_view) == (prints, 0, 0)
            left, bottom, right, top = (float(n) for n in widget.Rect)
            # One of no size needs none; an empty place gets one when it is signed.
            assert "/V" not in widget or (left, bottom) == (right, top) or "/N" in widget.AP
        assert "/NeedAppearances" not in pdf.Root.AcroForm


@SIGNED
def test_every_attachment_says_what_it_is_and_how_it_belongs(pdf_of: Callable[[], bytes]) -> None:
    """6.8: an embedded file has a type, a date, both names, and its relationship, and stands in AF once."""
    with pikepdf.open(io.BytesIO(pdf_of())) as pdf:
        specs = list(pdf.Root.AF)
        assert [str(s.F) for s in specs] == ["certificate.json", "gauge_checks.csv", "readings.csv", "readings.parquet"]
        assert [str(s.UF) for s in specs] == [str(s.F) for s in specs]
        assert [str(s.AFRelationship) for s in specs] == ["/Source", "/Data", "/Data", "/Data"]
        assert [str(s.EF.F.Subtype) for s in specs] == [
            "/application/json",
            "/text/csv",
            "/text/csv",
            "/application/vnd.apache.parquet",
        ]
        assert all("/ModDate" in s.EF.F.Params for s in specs)
