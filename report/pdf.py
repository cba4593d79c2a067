"""From the HTML of a certificate to the bytes of a file that is PDF/A-3a and PDF/UA-1, ready to be signed.

WeasyPrint logs and carries on: a missing font, a character that no font has and an unknown property
are a line in a log each, and a document all the same. Here every such line is an error, nothing is
fetched but the template's own files, and no font of the machine is ever used.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import logging
import os
import tempfile
import unicodedata
import warnings
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from report.collector import collector_at_rest
from report.embedded_files import kind_of
from report.signature_fields import make_signature_fields
from report.tag_tree import tidy
from report.xmp import FileFacts, packet
from schemas.errors import BadInput

with warnings.catch_warnings():
    # WeasyPrint says at import that the machine has no fonts; it needs none, ours come with us.
    warnings.filterwarnings("ignore", message=r"(FontConfig cannot load|No fonts configured)")
    import cssselect2
    import weasyprint
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import URLFetcher, URLFetcherResponse

import pikepdf

_TEMPLATES: Final = files("report") / "templates"
_FONTS: Final = ("OpenSans-Regular.ttf", "OpenSans-Semibold.ttf", "OpenSans-Bold.ttf")
_ASSETS: Final = frozenset(f"fonts/{name}" for name in _FONTS)
_PLACE: Final = "signature-place"
#: The template's own pictures are asked for by that name.
_GIVEN: Final = "given/"
_PICTURE_TYPES: Final = {"png": "image/png", "svg": "image/svg+xml"}
_POINTS_PER_PX: Final = 0.75


@dataclass(frozen=True, slots=True)
class SignaturePlace:
    """Where the signature block goes: page from 0, and the box in points from the bottom left."""

    page: int
    left: float
    bottom: float
    right: float
    top: float


@dataclass(frozen=True, slots=True)
class UnsignedPdf:
    """A certificate before it is signed.

    Attributes:
        content: The file.
        pages: How many pages it has.
        place: Where the signature of the release goes.
        fields: Names of its empty signature fields, in the order of the pages.
    """

    content: bytes
    pages: int
    place: SignaturePlace
    fields: tuple[str, ...] = ()


class _AssetFetcher(URLFetcher):  # type: ignore[misc]  # WeasyPrint publishes no types
    """Gives the template's own fonts and the pictures that were given, and refuses everything else."""

    def __init__(self, given: Mapping[str, bytes] | None = None) -> None:
        super().__init__(allowed_protocols=["asset"], allow_redirects=False, fail_on_errors=True)
        self._given = given or {}

    def fetch(self, url: str, headers: Any = None) -> Any:
        name = url.removeprefix("asset:")
        picture = name.removeprefix(_GIVEN)
        if url.startswith(f"asset:{_GIVEN}") and picture in self._given:
            kind = _PICTURE_TYPES[picture.rpartition(".")[2]]
            return URLFetcherResponse(url, self._given[picture], {"Content-Type": kind})
        if not url.startswith("asset:") or name not in _ASSETS:
            raise ValueError(f"{url} is none of the template's own files")
        return URLFetcherResponse(url, _asset(name), {"Content-Type": "font/ttf"})


class _Page(weasyprint.HTML):  # type: ignore[misc]  # WeasyPrint publishes no types
    """A page of our template, which is well-formed XML.

    So it can be read by the parser that comes with Python and is written in C, some ten times faster than
    WeasyPrint's own, which is made for whatever is found on the web. Sets what weasyprint.HTML sets.
    """

    def __init__(self, html: str, pictures: Mapping[str, bytes]) -> None:
        try:
            root = ElementTree.fromstring(html)  # noqa: S314 - our own template, in which all values are escaped
        except ElementTree.ParseError as wrong:
            raise RuntimeError(f"the certificate's page is not well-formed XML: {wrong}") from None
        self.base_url = "asset:"
        self.url_fetcher = _AssetFetcher(pictures)
        self.media_type = "print"
        self.wrapper_element = cssselect2.ElementWrapper.from_html_root(root)
        self.etree_element = root

    def _ua_stylesheets(self, forms: bool = False) -> list[Any]:
        """Return what stands in for WeasyPrint's own sheet; should it no longer ask, pages are the same, made slower."""
        return [_kit().defaults]


def render(
    html: str, attachments: Mapping[str, bytes], stamp: datetime, pictures: Mapping[str, bytes] | None = None
) -> UnsignedPdf:
    """Return *html* as PDF/A-3a and PDF/UA-1 with *attachments* inside; the same input gives the same bytes.

    Args:
        html: The page, which refers to nothing but the template's own files and *pictures*.
        attachments: Content by file name.
        stamp: The date that the file and its attachments carry.
        pictures: SVG or PNG by file name, which the page may show as "asset:given/NAME".

    Raises:
        RuntimeError: WeasyPrint warned of something; the certificate is all or nothing.
    """
    with collector_at_rest():
        return _rendered(html, attachments, stamp.astimezone(UTC), pictures or {})


def _rendered(
    html: str, attachments: Mapping[str, bytes], moment: datetime, pictures: Mapping[str, bytes]
) -> UnsignedPdf:
    kit = _kit()
    inside = [
        weasyprint.Attachment(
            file_obj=io.BytesIO(attachments[name]),
            name=name,
            description=kind_of(name).description,
            created=moment,
            modified=moment,
        )
        for name in sorted(attachments)
    ]
    fields: tuple[str, ...] = ()

    def finish(document: Any, pdf: Any) -> None:
        nonlocal fields
        tidy(pdf, document)
        fields = make_signature_fields(pdf)
        for item in pdf.objects:
            # PDF/A leaves no smoothing to the viewer (ISO 19005-3, 6.2.8).
            if "Interpolate" in getattr(item, "extra", ()):
                item.extra["Interpolate"] = "false"

    with _warnings_are_errors():
        document = _Page(html, pictures).render(stylesheets=[kit.sheet], font_config=kit.fonts)
        with warnings.catch_warnings():
            # WeasyPrint leaves the closing of its own colour profile to the garbage collector.
            warnings.filterwarnings("ignore", message=r"unclosed file.*sRGB2014\.icc", category=ResourceWarning)
            # It is written once more by _repacked, which packs it and gives it its identifier in a fraction of the time.
            raw = document.write_pdf(
                pdf_variant="pdf/a-3a",
                attachments=inside,
                finisher=finish,
                pdf_identifier=False,
                uncompressed_pdf=True,
            )
    digest = _fingerprint(html, attachments, pictures)
    return UnsignedPdf(_repacked(raw, document.metadata, moment, digest), len(document.pages), _place(document), fields)


def _fingerprint(html: str, *files: Mapping[str, bytes]) -> str:
    """Return the SHA-256 of all that a file is made from, in hex."""
    whole = hashlib.sha256(html.encode())
    for group in files:
        for name in sorted(group):
            whole.update(hashlib.sha256(name.encode()).digest() + hashlib.sha256(group[name]).digest())
    return whole.hexdigest()


def refuse_unprintable(strings: Any, where: str = "") -> None:
    """Refuse a character that no bundled font has.

    Args:
        strings: Strings in lists and dicts, as CertificateView.stated gives them.
        where: What they are, for the message.

    Raises:
        BadInput: There is one; the sentence names it and where it stands.
    """
    if isinstance(strings, dict):
        for key, inner in strings.items():
            refuse_unprintable(inner, f"{where} {key}".strip().replace("_", " "))
    elif isinstance(strings, list | tuple):
        for inner in strings:
            refuse_unprintable(inner, where)
    elif isinstance(strings, str):
        missing = next((c for c in strings if ord(c) not in _known_characters() and c not in " \t\n\r"), None)
        if missing is not None:
            name = unicodedata.name(missing, "no name")
            raise BadInput(
                f"the certificate cannot print {missing!r} (U+{ord(missing):04X}, {name}) in {where}: {strings!r}; "
                "its fonts hold Latin, Greek and Cyrillic letters, write it in those"
            )


@cache
def _asset(name: str) -> bytes:
    return (_TEMPLATES / name).read_bytes()


@cache
def _known_characters() -> frozenset[int]:
    from fontTools.ttLib import TTFont

    maps = [TTFont(io.BytesIO(_asset(f"fonts/{name}")), lazy=True).getBestCmap() for name in _FONTS]
    return frozenset.intersection(*(frozenset(m) for m in maps))


@dataclass(frozen=True, slots=True)
class _Kit:
    fonts: Any
    defaults: Any
    sheet: Any


@cache
def _kit() -> _Kit:
    """Return the fonts and the style sheets, made once per process."""
    with _no_machine_fonts():
        fonts = FontConfiguration()

    def sheet(name: str) -> Any:
        text = (_TEMPLATES / name).read_text(encoding="utf-8")
        return weasyprint.CSS(string=text, base_url="asset:", url_fetcher=_AssetFetcher(), font_config=fonts)

    with _warnings_are_errors():
        return _Kit(fonts, sheet("defaults.css"), sheet("certificate.css"))


@contextlib.contextmanager
def _no_machine_fonts() -> Iterator[None]:
    """Let fontconfig read a configuration that lists no folder while the fonts are set up."""
    before = os.environ.get("FONTCONFIG_FILE")
    with tempfile.TemporaryDirectory(prefix="filmtally-") as folder:
        path = Path(folder) / "fonts.conf"
        path.write_text('<?xml version="1.0"?>\n<fontconfig></fontconfig>\n', encoding="utf-8")
        os.environ["FONTCONFIG_FILE"] = str(path)
        try:
            yield
        finally:
            if before is None:
                del os.environ["FONTCONFIG_FILE"]
            else:
                os.environ["FONTCONFIG_FILE"] = before


class _Collector(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(record.getMessage())


@contextlib.contextmanager
def _warnings_are_errors() -> Iterator[None]:
    logger = logging.getLogger("weasyprint")
    collector = _Collector()
    before, logger.handlers = logger.handlers, [collector]
    propagated, logger.propagate = logger.propagate, False
    try:
        yield
    finally:
        logger.handlers, logger.propagate = before, propagated
    if collector.lines:
        raise RuntimeError(f"the certificate could not be laid out faultlessly: {collector.lines[0]}")


def _place(document: Any) -> SignaturePlace:
    for number, page in enumerate(document.pages):
        if _PLACE in page.anchors:
            x1, y1, x2, y2 = page.anchors[_PLACE]
            return SignaturePlace(
                number,
                left=x1 * _POINTS_PER_PX,
                bottom=(page.height - y2) * _POINTS_PER_PX,
                right=x2 * _POINTS_PER_PX,
                top=(page.height - y1) * _POINTS_PER_PX,
            )
    raise RuntimeError("the template has no place for the signature")


def _repacked(raw: bytes, metadata: Any, stamp: datetime, digest: str) -> bytes:
    """Return the PDF with a classic cross-reference table, and attachments and metadata put right.

    Packed by WeasyPrint itself, all objects would be in one stream, and pyHanko reads that stream's head
    again for every object: checking a signature would take seconds to minutes. WeasyPrint also lists each
    attachment twice in /AF and takes its media type from a table of the machine.
    """
    with pikepdf.open(io.BytesIO(raw)) as pdf:
        if "/EmbeddedFiles" in pdf.Root.get("/Names", {}):
            names = pdf.Root.Names.EmbeddedFiles.Names
            pdf.Root.AF = pikepdf.Array([names[i] for i in range(1, len(names), 2)])
            for i in range(0, len(names), 2):
                kind = kind_of(str(names[i]))
                names[i + 1].EF.F.Subtype = pikepdf.Name(f"/{kind.media_type}")
                names[i + 1].AFRelationship = pikepdf.Name(f"/{kind.relationship}")
        facts = FileFacts(
            identifier=str(metadata.custom.get("dcterms.identifier", metadata.title)),
            title=str(metadata.title),
            author=", ".join(metadata.authors),
            subject=metadata.description or "",
            language=metadata.lang or "",
            created=stamp,
            creator_tool=metadata.generator or "",
            producer=str(pdf.docinfo.Producer),
            content_sha256=digest,
        )
        pdf.Root.Metadata.write(packet(facts))
        for key in ("/CreationDate", "/ModDate"):
            pdf.docinfo[key] = stamp.strftime("D:%Y%m%d%H%M%SZ")
        out = io.BytesIO()
        pdf.save(
            out,
            object_stream_mode=pikepdf.ObjectStreamMode.disable,
            deterministic_id=True,
            fix_metadata_version=False,
        )
    return out.getvalue()
