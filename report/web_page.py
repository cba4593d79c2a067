"""A certificate's page for a browser: the same HTML and style in one file that needs nothing else."""

from __future__ import annotations

import base64
import re
from importlib.resources import files
from typing import Final

from report.page_look import PageLook

_TEMPLATES: Final = files("report") / "templates"
_ASSET: Final = re.compile(r"asset:(fonts/[A-Za-z-]+\.ttf)")
#: What paper has and a screen has not: a sheet with margins.
_SCREEN: Final = """
@media screen {
  html { background: #e4e6e8 }
  body { max-width: 182mm; margin: 8mm auto; padding: 12mm 14mm; background: #fff; box-shadow: 0 0 3mm #999 }
  .foot-left { position: static; text-align: right; padding: 0 0 2mm }
  .copy { display: block }
}
@media print { .copy { display: none } }
"""


def web_page(html: str, look: PageLook) -> str:
    """Return *html*, a certificate's page, as one file for a browser; it fetches nothing and runs nothing.

    Args:
        html: What :func:`report.pdf.certificate_html` returned.
        look: Its pictures.
    """
    style = (_TEMPLATES / "certificate.css").read_text(encoding="utf-8")
    style = _ASSET.sub(lambda m: _data(m[1], "font/ttf"), style)
    for name, content in look.files().items():
        html = html.replace(f"asset:given/{name}", f"data:image/png;base64,{base64.b64encode(content).decode()}")
    policy = (
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:\">"
    )
    head = f"{policy}<style>{style}{_SCREEN}</style>"
    return html.replace('<meta charset="utf-8">', f'<meta charset="utf-8">\n{head}', 1)


def _data(name: str, kind: str) -> str:
    return f"data:{kind};base64,{base64.b64encode((_TEMPLATES / name).read_bytes()).decode()}"
