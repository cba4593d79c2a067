"""A drawing or a logo comes from outside, and what it refers to is not fetched: no file, no network, no data of its own."""

from __future__ import annotations

import base64
import io
import re
import socket
from collections.abc import Iterator
from pathlib import Path

import pikepdf
import pytest
from weasyprint.urls import FatalURLFetchingError

from report.pdf import render
from tests.report import scenario
from tests.report.pdf_structure import faults

NS = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
PLAIN = (
    f'<svg {NS} viewBox="0 0 40 20" width="40" height="20"><title>d</title><path d="M0 0h40v20z" fill="#123"/></svg>'
)
SECRET = b"the-secret-of-another-file"


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    """A server on this machine that nobody should call."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)
        yield server


def _page(picture: str) -> str:
    return (
        '<html lang="en"><head><title>t</title><meta name="author" content="a"/><meta name="description" content="d"/>'
        '<meta name="generator" content="g"/></head><body><h1>t</h1>'
        f'{picture}<div id="signature-place">x</div></body></html>'
    )


def _shown(svg: str) -> bytes:
    """Return the PDF of a page that shows *svg* as a picture that was given."""
    page = _page('<p><img src="asset:given/drawing.svg" alt="drawing of the part"/></p>')
    return render(page, {}, scenario.ISSUED, {"drawing.svg": svg.encode()}).content


def test_a_drawing_that_was_given_is_shown_with_its_alternative_text() -> None:
    pdf = _shown(PLAIN)
    assert faults(pdf) == []
    with pytest.raises(AssertionError, match="40"):
        _holds_nothing_of_it(pdf)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        said = [str(o.Alt) for o in opened.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == "/Figure"]
    assert said == ["drawing of the part"]


def test_a_png_that_was_given_is_shown() -> None:
    """The smallest of PNGs: one grey point (W3C, Portable Network Graphics; bytes from memory)."""
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (8, 8), (90, 90, 90)).save(out, "PNG")
    page = _page('<p><img src="asset:given/logo.png" alt="the shop\'s logo"/></p>')
    assert faults(render(page, {}, scenario.ISSUED, {"logo.png": out.getvalue()}).content) == []


def _inside(reference: str) -> dict[str, str]:
    """Return SVGs that refer to *reference* in every way that SVG knows, by what the way is called."""
    start, end = f'<svg {NS} viewBox="0 0 9 9" width="9" height="9"><title>d</title>', "</svg>"
    return {
        "image": f'{start}<image href="{reference}" width="9" height="9"/>{end}',
        "image by xlink": f'{start}<image xlink:href="{reference}" width="9" height="9"/>{end}',
        "use": f'{start}<use href="{reference}#a"/>{end}',
        "fill": f'{start}<path d="M0 0h9v9z" fill="url({reference}#a)"/>{end}',
        "filter": f'{start}<path d="M0 0h9v9z" filter="url({reference}#a)"/>{end}',
        "style import": f"{start}<style>@import url({reference});</style><path d='M0 0h9v9z'/>{end}",
        "font face": f"{start}<style>@font-face{{font-family:x;src:url({reference})}}</style><text y='9' font-family='x'>a</text>{end}",
        "style sheet": f'<?xml-stylesheet href="{reference}"?>{start}<path d="M0 0h9v9z"/>{end}',
        "foreign object": f'{start}<foreignObject width="9" height="9"><img xmlns="http://www.w3.org/1999/xhtml" src="{reference}"/></foreignObject>{end}',
        "script": f'{start}<script href="{reference}">x()</script><path d="M0 0h9v9z" onclick="x()"/>{end}',
        "link": f'{start}<a href="{reference}"><path d="M0 0h9v9z"/></a>{end}',
        "entity": f'<!DOCTYPE svg [<!ENTITY e SYSTEM "{reference}">]>{start}<text y="9">&e;</text>{end}',
        "outside type": f'<!DOCTYPE svg SYSTEM "{reference}">{start}<path d="M0 0h9v9z"/>{end}',
    }


WAYS = sorted(_inside(""))


@pytest.mark.parametrize("shown", ["given", "in the page"])
@pytest.mark.parametrize("protocol", ["file", "http", "data", "path"])
@pytest.mark.parametrize("way", WAYS)
def test_what_a_drawing_refers_to_is_not_fetched(
    way: str, protocol: str, shown: str, tmp_path: Path, listener: socket.socket
) -> None:
    secret = tmp_path / "secret.svg"
    secret.write_bytes(PLAIN.replace("<title>d", f"<text id='a'>{SECRET.decode()}</text><title>d").encode())
    port = listener.getsockname()[1]
    reference = {
        "file": secret.as_uri(),
        "http": f"http://127.0.0.1:{port}/secret.svg",
        "data": "data:image/svg+xml;base64," + base64.b64encode(secret.read_bytes()).decode(),
        "path": str(secret),
    }[protocol]
    svg = _inside(reference)[way]
    pdf = _unless_refused(svg, given=shown == "given")
    if pdf is not None:
        _holds_nothing_of_it(pdf)
    with pytest.raises(BlockingIOError):
        listener.accept()


def _unless_refused(svg: str, given: bool) -> bytes | None:
    """Return the PDF that shows *svg*; None where it was refused, which WeasyPrint does with a BaseException."""
    try:
        return _shown(svg) if given else render(_page(svg), {}, scenario.ISSUED).content
    except FatalURLFetchingError:
        return None
    except RuntimeError as refused:
        if "faultlessly" not in str(refused) and "not well-formed" not in str(refused):
            raise
        return None


def _holds_nothing_of_it(pdf: bytes) -> None:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        streams = b"".join(o.read_bytes() for o in opened.objects if isinstance(o, pikepdf.Stream) and "/Type" not in o)
        pictures = [o for o in opened.objects if isinstance(o, pikepdf.Stream) and o.get("/Subtype") == "/Image"]
        annotations = [str(a.Subtype) for page in opened.pages for a in page.get("/Annots", [])]
        actions = [o for o in opened.objects if isinstance(o, pikepdf.Dictionary) and "/URI" in o]
    assert SECRET not in streams
    # The path of the secret's own picture, "#123" filled over a width of 40, is not drawn either.
    assert re.search(rb"40(\.0)? 0(\.0)? l", streams) is None
    assert (pictures, annotations, actions) == ([], [], [])


@pytest.mark.parametrize(
    "source",
    [
        "file:///etc/hostname",
        "http://127.0.0.1:9/x.png",
        "data:image/png;base64,iVBORw0KGgo=",
        "/etc/hostname",
        "../../etc/hostname",
        "asset:given/../../pdf.py",
        "asset:given/another.svg",
        "asset:fonts/OpenSans-Regular.ttf",
    ],
)
def test_a_picture_that_was_not_given_stops_the_certificate(source: str) -> None:
    with pytest.raises(BaseException, match=r"faultlessly|template's own|[Ff]etch|protocol|allowed"):
        render(_page(f'<p><img src="{source}" alt="x"/></p>'), {}, scenario.ISSUED, {"drawing.svg": PLAIN.encode()})


@pytest.mark.parametrize("broken", ["", "<svg", "not a picture", PLAIN.replace("</svg>", ""), "<svg/>" * 2])
def test_a_drawing_that_is_none_stops_the_certificate(broken: str) -> None:
    with pytest.raises(RuntimeError, match="faultlessly"):
        _shown(broken)


def test_a_drawing_whose_entities_grow_without_end_stops_the_certificate() -> None:
    grows = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 12))
    with pytest.raises(RuntimeError, match="faultlessly"):
        _shown(f'<!DOCTYPE svg [<!ENTITY a0 "x">{grows}]><svg {NS}><title>d</title><text>&a11;</text></svg>')
