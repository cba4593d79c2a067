"""The unsigned file laid out anew from the data inside a certificate, and held against the one in it.

The same input gives the same bytes, and a signature is written behind what it signs. So a certificate of this very
program begins with the file that its data give, byte for byte. Another version of a library may pack or draw the
same pages otherwise; then the pages are compared by what draws them.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pikepdf

from report.certificate import draft
from report.document import ReadDocument
from report.embedded_files import LOGOS
from report.page_look import page_look
from report.signature_fields import RELEASE_FIELD
from rules.results import Assessment
from rules.verdict import Verdict

_OF_THE_FIELD = frozenset(("/V", "/AP", "/F"))
_OF_THE_CATALOG = frozenset(("/AcroForm", "/Perms", "/Extensions", "/Version", "/DSS"))


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """Whether what is shown is what the data give, and in words."""

    verdict: Verdict
    sentence: str


def rebuilt_alike(released: bytes, stated: ReadDocument, assessment: Assessment, inside: dict[str, bytes]) -> Rebuilt:
    """Return whether *released* shows what its own data give.

    Args:
        released: The certificate up to the end of what its release covers.
        stated: The document inside.
        assessment: What the rules say of its data.
        inside: The files inside, by name.

    Raises:
        BadInput, RuntimeError: Its data cannot be laid out.
    """
    logo = next((inside[name] for name in LOGOS if name in inside), None)
    made = draft(stated.evidence, assessment, stated.facts, page_look(stated.evidence, logo)).pdf.content
    if released.startswith(made):
        other = _changed_by_the_release(made, released)
        if other is not None:
            return Rebuilt(Verdict.FAIL, f"What was signed is not what was laid out: {other}.")
        return Rebuilt(
            Verdict.PASS,
            "Laid out anew, the unsigned certificate is the one in this file, byte for byte: whatever is seen follows from "
            "the data inside.",
        )
    unlike = _drawn_otherwise(made, released)
    if unlike is None:
        return Rebuilt(
            Verdict.PASS,
            "Laid out anew, every page is drawn by the same steps with the same letters and pictures; other bytes of the file "
            "differ, as another version of a library writes them.",
        )
    return Rebuilt(
        Verdict.UNDECIDED,
        f"But laid out anew, {unlike}. Either it was laid out with other versions of the libraries, or what is seen was "
        "altered before it was signed: compare it by eye with a copy from the shop.",
    )


def _changed_by_the_release(made: bytes, released: bytes) -> str | None:
    """Return which part of *made* the update behind it replaced, but for what a signature has to; None where none."""
    with pikepdf.open(io.BytesIO(made)) as before, pikepdf.open(io.BytesIO(released)) as after:
        form = before.Root.get("/AcroForm")
        fields = [] if form is None else list(form.Fields)
        release = {f.objgen for f in fields if str(f.get("/T")) == RELEASE_FIELD}
        for number in range(1, len(before.objects) + 1):
            key = (number, 0)
            old, new = before.get_object(key), after.get_object(key)
            if _written(old) == _written(new):
                continue
            if key in release:
                free = _OF_THE_FIELD
            elif key == before.Root.objgen:
                free = _OF_THE_CATALOG
            elif form is not None and key == form.objgen:
                free = frozenset(("/SigFlags",))
            else:
                return f"object {number} was replaced when it was signed"
            if _kept(old, free) != _kept(new, free):
                return f"object {number} was changed when it was signed"
        now: Any = after.Root.get("/AcroForm", {})
        if [f.objgen for f in fields] != [f.objgen for f in now.get("/Fields", ())]:
            return "its places to sign are others"
    return None


def _kept(given: Any, free: frozenset[str]) -> dict[str, Any]:
    return {key: _value(value) for key, value in given.items() if key not in free}


def _value(given: Any) -> Any:
    """Return what an entry says, however it is written: a text has two ways to be written, and a number many."""
    if isinstance(given, pikepdf.Object):
        if given.is_indirect:
            return given.objgen
        if isinstance(given, pikepdf.Dictionary):
            return {key: _value(value) for key, value in given.items()}
        if isinstance(given, pikepdf.Array):
            return [_value(value) for value in given]
        return str(given)
    return float(given) if isinstance(given, int | float | Decimal) else repr(given)


def _plain(value: Any) -> bytes:
    return bytes(value.unparse()) if isinstance(value, pikepdf.Object) else repr(value).encode()


def _written(given: Any) -> bytes:
    if isinstance(given, pikepdf.Stream):
        head = b"".join(k.encode() + _plain(v) for k, v in sorted(given.items()))
        return head + bytes(given.read_raw_bytes())
    return bytes(given.unparse(resolved=True)) if isinstance(given, pikepdf.Object) else repr(given).encode()


def _drawn_otherwise(made: bytes, released: bytes) -> str | None:
    """Return in a clause which page is drawn otherwise in the two files, or None where none is."""
    with pikepdf.open(io.BytesIO(made)) as ours, pikepdf.open(io.BytesIO(released)) as theirs:
        if len(ours.pages) != len(theirs.pages):
            return f"it has {len(ours.pages)} pages and not {len(theirs.pages)}"
        for number, (one, other) in enumerate(zip(ours.pages, theirs.pages, strict=True), 1):
            if _steps(one.obj) != _steps(other.obj):
                return f"page {number} is drawn otherwise"
            if _resources(one.obj.Resources) != _resources(other.obj.Resources):
                return f"a letter or a picture on page {number} is drawn otherwise"
            if [_box(a) for a in one.get("/Annots", ())] != [_box(a) for a in other.get("/Annots", ())]:
                return f"the places to sign on page {number} are elsewhere"
    return None


def _box(field: Any) -> list[float]:
    return [float(v) for v in field.Rect]


def _steps(page: Any) -> list[bytes]:
    contents = page.Contents
    return [bytes(c.read_bytes()) for c in (contents if isinstance(contents, pikepdf.Array) else [contents])]


def _resources(resources: Any, deep: int = 0) -> list[Any]:
    """Return what the fonts, pictures, patterns and states named in *resources* hold, unpacked."""
    found: list[Any] = []
    for kind in ("/Font", "/XObject", "/Pattern", "/Shading", "/ExtGState"):
        for name, value in sorted(resources.get(kind, {}).items()):
            if kind == "/Font":
                program = value.DescendantFonts[0].FontDescriptor.FontFile2
                found.append((kind, name, bytes(program.read_bytes()), bytes(value.ToUnicode.read_bytes())))
            elif isinstance(value, pikepdf.Stream):
                head = [
                    (k, _plain(v)) for k, v in sorted(value.items()) if k in ("/BBox", "/Matrix", "/Width", "/Height")
                ]
                # A page's resources are often those of its pictures as well.
                inner = _resources(value.get("/Resources", {}), deep + 1) if deep < 1 else []
                found.append((kind, name, head, bytes(value.read_bytes()), inner))
            else:
                found.append((kind, name, bytes(value.unparse(resolved=True))))
    return found
