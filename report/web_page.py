"""A certificate's page for a browser: the same HTML and style in one file that needs nothing else.

It is a copy for reading. Nothing in it is signed, so it says so at its head and in every place where the PDF has
a signature.
"""

from __future__ import annotations

import base64
import html as markup
import re
from importlib.resources import files
from typing import Final

from report.languages import catalogue
from report.page import css_string
from report.page_look import PageLook
from rules.sentence import said
from schemas.vocabulary import Language

COPY: Final = said("Copy for reading: signatures stand in the PDF file alone, and that file alone is the certificate.")
NOT_SIGNED: Final = said("not signed in this copy")

_TEMPLATES: Final = files("report") / "templates"
_ASSET: Final = re.compile(r"asset:(fonts/[A-Za-z-]+\.ttf)")
_HEAD: Final = '<meta charset="utf-8"/>'
_LANGUAGE: Final = re.compile(r'<html lang="([a-z]+)">')
_FOOT: Final = re.compile(r'<div class="foot-left">([^<]*)</div>')
_SIGNATURE: Final = re.compile(r'<input [^>]*class="sign-here"[^>]*/>')
_PAPER: Final = re.compile(r"@page \{ size: (A4|Letter);")
_PAPER_MM: Final = {"A4": 210.0, "Letter": 215.9}
#: What paper has and a screen has not, and the other way round.
_SCREEN: Final = """
.copy { font-size: 7.5pt; margin-bottom: 2mm; padding: 1mm 2mm; border: .7pt dashed #555 }
.sign-here.unsigned { border-style: dashed; padding: 1mm 2mm; font-size: 7pt; color: #333 }
.verdict, .deviation, .notice, svg, img { print-color-adjust: exact; -webkit-print-color-adjust: exact }
@media screen {
  html { background: #e4e6e8 }
  body { margin: 8mm auto; padding: 12mm 14mm; background: #fff; box-shadow: 0 0 3mm #999 }
}
"""


def web_page(html: str, look: PageLook) -> str:
    """Return *html*, a certificate's page, as one file for a browser; it fetches nothing and runs nothing.

    Args:
        html: What :func:`report.page.page_html` returned.
        look: Its pictures.

    Raises:
        RuntimeError: *html* is not what our template makes.
    """
    language = Language(_found(_LANGUAGE, html))
    foot = markup.unescape(_found(_FOOT, html))
    width = _PAPER_MM[_found(_PAPER, html)]
    html = _FOOT.sub(f'<p class="copy">{_word(COPY, language)}</p>', html, count=1)
    html = _SIGNATURE.sub(f'<div class="sign-here unsigned">{_word(NOT_SIGNED, language)}</div>', html)
    for name, content in look.files().items():
        html = html.replace(f"asset:given/{name}", f"data:image/png;base64,{_base64(content)}")
    style = (_TEMPLATES / "certificate.css").read_text(encoding="utf-8")
    style = _ASSET.sub(lambda m: f"data:font/ttf;base64,{_base64((_TEMPLATES / m[1]).read_bytes())}", style)
    # A browser has no running elements; what stands at the foot of a printed page is text of the style sheet.
    on_paper = (
        f'@page {{ @bottom-left {{ content: {css_string(foot)}; font: 400 7.5pt "Open Sans"; padding-top: 2mm }} }}'
    )
    on_screen = f"@media screen {{ body {{ width: {width}mm }} }}"
    policy = (
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:\"/>"
    )
    if html.count(_HEAD) != 1:
        raise RuntimeError("the certificate's page has no place for the style of a browser")
    return html.replace(_HEAD, f"{_HEAD}\n{policy}\n<style>{style}{_SCREEN}{on_paper}\n{on_screen}</style>")


def _found(pattern: re.Pattern[str], html: str) -> str:
    match = pattern.search(html)
    if match is None:
        raise RuntimeError(f"the certificate's page lacks {pattern.pattern}")
    return match[1]


def _word(text: str, language: Language) -> str:
    return markup.escape(text if language is Language.ENGLISH else catalogue(language)[text])


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode()
