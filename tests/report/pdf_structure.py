"""What ISO 19005-3 (PDF/A-3a) and ISO 14289-1 (PDF/UA-1) ask of a file, as far as the file itself shows it.

No validator of either can be had from the package registries, so this reads metadata, colour, fonts, tag tree,
content, fields and attachments with pikepdf and says every fault in a sentence. It knows nothing of how a
certificate is made. Clauses are cited from memory; ISO 32000-1 is what both build on.

What it does not look at: whether a text says what a picture shows, the contrast of colours, the insides of font
programs beyond their presence, and the ICC profile beyond its header.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Iterator
from typing import Any
from xml.etree import ElementTree

import pikepdf

GROUPING = {"/Document", "/Part", "/Art", "/Sect", "/Div", "/BlockQuote", "/NonStruct"}
BLOCK = {"/P", "/H1", "/H2", "/H3", "/H4", "/H5", "/H6", "/Caption"}
LISTS = {"/L", "/LI", "/Lbl", "/LBody"}
TABLES = {"/Table", "/THead", "/TBody", "/TFoot", "/TR", "/TH", "/TD"}
OTHER = {"/Span", "/Figure", "/Form", "/Link", "/Note", "/Formula", "/Reference", "/Quote", "/Code"}
STANDARD = GROUPING | BLOCK | LISTS | TABLES | OTHER
#: ISO 32000-1, tables 336 and 337: what these may hold.
MAY_HOLD = {
    "/L": {"/LI", "/L", "/Caption"},
    "/LI": {"/Lbl", "/LBody"},
    "/Table": {"/TR", "/THead", "/TBody", "/TFoot", "/Caption"},
    "/THead": {"/TR"},
    "/TBody": {"/TR"},
    "/TFoot": {"/TR"},
    "/TR": {"/TH", "/TD"},
}
#: The same, seen from below.
MUST_STAND_IN = {
    "/LI": {"/L"},
    "/LBody": {"/LI"},
    "/THead": {"/Table"},
    "/TBody": {"/Table"},
    "/TFoot": {"/Table"},
    "/TR": {"/Table", "/THead", "/TBody", "/TFoot"},
    "/TH": {"/TR"},
    "/TD": {"/TR"},
}
NO_TEXT_OF_ITS_OWN = (GROUPING - {"/NonStruct"}) | {"/L", "/LI", "/Table", "/THead", "/TBody", "/TFoot", "/TR"}
PAINTING = {"S", "s", "f", "F", "f*", "B", "B*", "b", "b*", "Tj", "TJ", "'", '"', "Do", "sh", "EI", "INLINE IMAGE"}
RELATIONSHIPS = {"/Source", "/Data", "/Alternative", "/Supplement", "/Unspecified"}

XML_LANG = "{http://www.w3.org/XML/1998/namespace}lang"
RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
DC = "http://purl.org/dc/elements/1.1/"
XMP = "http://ns.adobe.com/xap/1.0/"
XMP_MM = "http://ns.adobe.com/xap/1.0/mm/"
PDF = "http://ns.adobe.com/pdf/1.3/"
PDFA_ID = "http://www.aiim.org/pdfa/ns/id/"
PDFUA_ID = "http://www.aiim.org/pdfua/ns/id/"
PDFA_EXTENSION = "http://www.aiim.org/pdfa/ns/extension/"
PDFA_SCHEMA = "http://www.aiim.org/pdfa/ns/schema#"
PDFA_PROPERTY = "http://www.aiim.org/pdfa/ns/property#"
#: Properties of XMP 2005 that need no description of their own (those that occur here), and PDF/A's own.
PREDEFINED = {
    DC: {"title", "creator", "description", "language", "format", "identifier", "publisher", "subject", "rights", "date"},
    XMP: {"CreateDate", "ModifyDate", "MetadataDate", "CreatorTool", "Identifier"},
    XMP_MM: {"DocumentID", "InstanceID", "VersionID"},
    PDF: {"Producer", "Keywords", "PDFVersion"},
    PDFA_ID: {"part", "conformance", "amd", "corr"},
    PDFA_EXTENSION: {"schemas"},
}  # fmt: skip


def faults(content: bytes) -> list[str]:
    """Return every fault found in the PDF *content*, each in a sentence; an empty list where there is none."""
    with pikepdf.open(io.BytesIO(content)) as pdf:
        found = [*_file(pdf, content), *_metadata(pdf), *_colour(pdf), *_fonts(pdf), *_objects(pdf)]
        if "/StructTreeRoot" not in pdf.Root:
            return [*found, "There is no tag tree (PDF/A-3a 6.7.3, PDF/UA-1 7.1)."]
        tree = Tree(pdf)
        return [*found, *tree.faults, *_content(pdf, tree), *_annotations(pdf, tree), *_attachments(pdf)]


# ---- the file as a whole -----------------------------------------------------------------------


def _file(pdf: Any, content: bytes) -> Iterator[str]:
    root = pdf.Root
    if not re.match(rb"%PDF-1\.[4-7][\r\n]+%[\x80-\xff]{4}", content):
        yield "The header is not that of a PDF 1.n with a binary comment behind it (PDF/A-3 6.1.2)."
    if str(root.get("/Version", "/1.7")) > "/1.7":
        yield f"The catalog raises the version to {root.Version} (PDF/A-3 6.1.2)."
    for name, extension in root.get("/Extensions", {}).items():
        if str(extension.get("/BaseVersion", "")) > "/1.7":
            yield f"The extension {name} is one of PDF 2.0."
    if pdf.is_encrypted:
        yield "The file is encrypted (PDF/A-3 6.1.3)."
    if "/ID" not in pdf.trailer:
        yield "The trailer has no ID (PDF/A-3 6.1.3)."
    for key in ("/OpenAction", "/AA", "/OCProperties", "/NeedsRendering", "/Collection", "/Requirements"):
        if key in root:
            yield f"The catalog has {key}."
    if "/JavaScript" in root.get("/Names", {}):
        yield "The file has scripts (PDF/A-3 6.5)."
    if root.get("/MarkInfo", {}).get("/Marked") is not True:
        yield "The catalog does not say that the content is marked (PDF/A-3a 6.7.2, PDF/UA-1 7.1)."
    if root.get("/MarkInfo", {}).get("/Suspects") is True:
        yield "The marking is called suspect (PDF/UA-1 7.1)."
    if not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]+)*", str(root.get("/Lang", ""))):
        yield "The catalog names no language (PDF/A-3a 6.7.4, PDF/UA-1 7.2)."
    if root.get("/ViewerPreferences", {}).get("/DisplayDocTitle") is not True:
        yield "The title of the document is not what a viewer shows (PDF/UA-1 7.1)."
    form = root.get("/AcroForm", {})
    for key in ("/NeedAppearances", "/XFA"):
        if key in form:
            yield f"The form has {key} (PDF/A-3 6.4)."


# ---- metadata ----------------------------------------------------------------------------------


def _metadata(pdf: Any) -> Iterator[str]:
    if "/Metadata" not in pdf.Root:
        yield "There is no XMP metadata (PDF/A-3 6.6.2.1)."
        return
    stream = pdf.Root.Metadata
    if (str(stream.get("/Type")), str(stream.get("/Subtype"))) != ("/Metadata", "/XML"):
        yield "The metadata stream is not called one."
    packet = bytes(stream.read_bytes())
    if not packet.startswith(b"<?xpacket begin=") or not packet.rstrip().endswith((b'<?xpacket end="r"?>', b'<?xpacket end="w"?>')):  # fmt: skip
        yield "The XMP packet has no wrapper."
    roots = list(ElementTree.fromstring(packet.decode()).iter(f"{{{RDF}}}RDF"))  # noqa: S314 - a file of our own
    if len(roots) != 1:
        yield f"The metadata holds {len(roots)} rdf:RDF, and readers look at the first (PDF/A-3 6.6.2.1)."
        return
    said = _properties(roots[0])
    for space, name, wanted, what in (
        (PDFA_ID, "part", "3", "PDF/A-3"),
        (PDFA_ID, "conformance", "A", "PDF/A level A"),
        (PDFUA_ID, "part", "1", "PDF/UA-1"),
    ):
        if said.get((space, name)) != wanted:
            yield f"The metadata does not say {what}: {name} is {said.get((space, name))!r}."
    described = {
        (str(schema.get((PDFA_SCHEMA, "namespaceURI"))), name)
        for schema, names in _extension_schemas(roots[0])
        for name in names
    }
    for space, name in said:
        if name not in PREDEFINED.get(space, ()) and (space, name) not in described:
            yield f"The property {name} of {space} is neither predefined nor described (PDF/A-3 6.6.2.3)."
    for space, name in ((DC, "title"), (DC, "creator"), (DC, "description"), (DC, "language"), (DC, "identifier"), (XMP, "CreateDate"), (XMP, "ModifyDate"), (XMP, "CreatorTool"), (PDF, "Producer"), (XMP_MM, "DocumentID"), (XMP_MM, "InstanceID")):  # fmt: skip
        if not said.get((space, name)):
            yield f"The metadata has no {name}."
    info = pdf.docinfo
    for key, space, name in (("/Title", DC, "title"), ("/Author", DC, "creator"), ("/Subject", DC, "description"), ("/Creator", XMP, "CreatorTool"), ("/Producer", PDF, "Producer")):  # fmt: skip
        if str(info.get(key, "")) != said.get((space, name), ""):
            yield f"{key} of the document information is {str(info.get(key, ''))!r}, and {name} of the metadata {said.get((space, name))!r}."
    for key, name in (("/CreationDate", "CreateDate"), ("/ModDate", "ModifyDate")):
        written = _iso(str(info.get(key, "")))
        if written != said.get((XMP, name)):
            yield f"{key} of the document information is {written!r}, and {name} of the metadata {said.get((XMP, name))!r}."
    if said.get((DC, "language")) != str(pdf.Root.get("/Lang", "")):
        yield "The metadata names another language than the catalog."


def _properties(rdf: Any) -> dict[tuple[str, str], str]:
    """Return the properties of the one subject: namespace and name, and the first text of their value."""
    found: dict[tuple[str, str], str] = {}
    for description in rdf:
        for tag, value in description.attrib.items():
            if tag != f"{{{RDF}}}about":
                found[_split(tag)] = value
        for child in description:
            items = [li.text or "" for li in child.iter(f"{{{RDF}}}li")]
            found[_split(child.tag)] = items[0] if items else (child.text or "")
    return found


def _extension_schemas(rdf: Any) -> Iterator[tuple[dict[tuple[str, str], str], list[str]]]:
    for bag in rdf.iter(f"{{{PDFA_EXTENSION}}}schemas"):
        for schema in bag.iterfind(f"{{{RDF}}}Bag/{{{RDF}}}li"):
            fields = {_split(child.tag): (child.text or "").strip() for child in schema}
            names = []
            for entry in schema.iterfind(f"{{{PDFA_SCHEMA}}}property/{{{RDF}}}Seq/{{{RDF}}}li"):
                of = {_split(child.tag): child.text or "" for child in entry}
                if all(of.get((PDFA_PROPERTY, key)) for key in ("name", "valueType", "category", "description")):
                    names.append(of[PDFA_PROPERTY, "name"])
            if all(fields.get((PDFA_SCHEMA, key)) for key in ("schema", "namespaceURI", "prefix")):
                yield fields, names


def _split(tag: str) -> tuple[str, str]:
    space, _, name = tag[1:].partition("}")
    return space, name


def _iso(written: str) -> str | None:
    match = re.fullmatch(r"D:(\d{4})(\d\d)(\d\d)(\d\d)(\d\d)(\d\d)Z", written)
    return None if match is None else "{}-{}-{}T{}:{}:{}Z".format(*match.groups())


# ---- colour, fonts, objects --------------------------------------------------------------------


def _colour(pdf: Any) -> Iterator[str]:
    intents = [i for i in pdf.Root.get("/OutputIntents", []) if i.S == "/GTS_PDFA1"]
    if len(intents) != 1:
        yield f"There are {len(intents)} output intents of PDF/A and not one (PDF/A-3 6.2.3)."
        return
    profile = intents[0].DestOutputProfile
    head = bytes(profile.read_bytes())[:128]
    if head[36:40] != b"acsp" or head[16:20] != b"RGB " or int(profile.N) != 3:
        yield "The output intent's profile is none of RGB (PDF/A-3 6.2.3)."
    if "/OutputConditionIdentifier" not in intents[0]:
        yield "The output intent does not name its condition."


def _fonts(pdf: Any) -> Iterator[str]:
    for font in _dictionaries(pdf):
        if font.get("/Type") != "/Font":
            continue
        name = str(font.get("/BaseFont", ""))
        if font.Subtype in ("/CIDFontType0", "/CIDFontType2"):
            descriptor = font.get("/FontDescriptor", {})
            if not {"/FontFile2", "/FontFile3"} & set(descriptor.keys()):
                yield f"The font {name} is not embedded (PDF/A-3 6.2.11.4, PDF/UA-1 7.21.4)."
            if font.Subtype == "/CIDFontType2" and "/CIDToGIDMap" not in font:
                yield f"The font {name} has no CIDToGIDMap (PDF/A-3 6.2.11.3)."
            if "/W" not in font:
                yield f"The font {name} gives no widths."
        elif font.Subtype == "/Type0":
            if "/ToUnicode" not in font:
                yield f"The font {name} says no Unicode for its glyphs (PDF/A-3a 6.2.11.7, PDF/UA-1 7.21.7)."
            elif re.search(rb"<0000>|<feff>|<FEFF>|<fffe>|<FFFE>", _mapped(font)):
                yield f"The font {name} maps a glyph to no character (PDF/UA-1 7.21.7)."
            if font.Encoding != "/Identity-H":
                yield f"The font {name} has the encoding {font.Encoding}."
        else:
            yield f"The font {name} is a simple font ({font.Subtype}), which none of ours is."


def _dictionaries(pdf: Any) -> Iterator[Any]:
    """Yield every dictionary and stream of the file, those inside of others too."""
    waiting = list(pdf.objects)
    while waiting:
        item = waiting.pop()
        if isinstance(item, pikepdf.Dictionary | pikepdf.Stream):
            yield item
            inside = [value for _, value in item.items()]
        elif isinstance(item, pikepdf.Array):
            inside = list(item)
        else:
            continue
        waiting += [i for i in inside if isinstance(i, pikepdf.Object) and not i.is_indirect]


def _mapped(font: Any) -> bytes:
    """Return the right sides of a font's ToUnicode table."""
    table = bytes(font.ToUnicode.read_bytes())
    return b" ".join(
        b"<" + right + b">"
        for block in re.findall(rb"beginbfchar(.*?)endbfchar", table, re.DOTALL)
        for _, right in re.findall(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block)
    )


def _objects(pdf: Any) -> Iterator[str]:
    for item in _dictionaries(pdf):
        if isinstance(item, pikepdf.Stream):
            filters = item.get("/Filter", [])
            names = [str(f) for f in filters] if isinstance(filters, pikepdf.Array) else [str(filters)]
            if "/LZWDecode" in names or "/Crypt" in names or "/F" in item:
                yield "A stream is packed by LZW, encrypted, or outside the file (PDF/A-3 6.1.7)."
            if item.get("/Subtype") == "/Image" and item.get("/Interpolate") is True:
                yield "A picture is interpolated (PDF/A-3 6.2.8)."
            if item.get("/Subtype") in ("/Image", "/Form") and (
                "/OPI" in item or "/Alternates" in item or "/PS" in item
            ):
                yield "A picture has another version of itself (PDF/A-3 6.2.8, 6.2.9)."
            if "/ColorSpace" in item and item.get("/ColorSpace") == "/DeviceCMYK":
                yield "A picture is in CMYK, for which there is no output intent (PDF/A-3 6.2.4)."
        for key in ("/TR", "/TR2", "/HTP"):
            if item.get("/Type") == "/ExtGState" and key in item and item[key] != "/Default":
                yield f"A graphics state has {key} (PDF/A-3 6.2.5)."
        if item.get("/Type") == "/ExtGState" and str(item.get("/BM", "/Normal")) not in ("/Normal", "/Compatible", "/Multiply", "/Screen", "/Overlay", "/Darken", "/Lighten"):  # fmt: skip
            yield f"A graphics state has the unknown blend mode {item.BM} (PDF/A-3 6.2.10)."
        if item.get("/S") in ("/JavaScript", "/Launch", "/ImportData", "/ResetForm", "/SubmitForm", "/Sound", "/Movie"):
            yield f"There is an action of the kind {item.S} (PDF/A-3 6.5.1)."


# ---- the tag tree ------------------------------------------------------------------------------


class Tree:
    """The tag tree, walked once.

    Attributes:
        faults: What is wrong in it.
        contents: The element of each marked content, by object number of its page and its own number.
        annotations: The element of each annotation, by the annotation's object number.
    """

    def __init__(self, pdf: Any) -> None:
        self.faults: list[str] = []
        self.contents: dict[tuple[int, int], Any] = {}
        self.annotations: dict[int, Any] = {}
        self._root = pdf.Root.StructTreeRoot
        self._roles = {str(k): str(v) for k, v in self._root.get("/RoleMap", {}).items()}
        self._ids: set[str] = set()
        self._levels: list[int] = []
        self._pages = {p.objgen[0]: p for p in pdf.pages}
        tops = _list(self._root.get("/K"))
        if [str(t.get("/S")) for t in tops] != ["/Document"]:
            self.faults.append("The tag tree does not begin with one Document (PDF/UA-1 7.1).")
        for top in tops:
            self._walk(top, self._root, "")
        self._headings()
        if self._ids and "/IDTree" not in self._root:
            self.faults.append("Elements have IDs, and the tag tree has no IDTree (ISO 32000-1, table 322).")
        self._parent_tree()

    def kind(self, element: Any) -> str:
        """Return the standard type of *element*."""
        named = str(element.get("/S"))
        return self._roles.get(named, named)

    def _walk(self, element: Any, parent: Any, above: str) -> None:
        kind = self.kind(element)
        if kind not in STANDARD:
            self.faults.append(f"The type {kind} is none of the standard ones and maps to none (PDF/UA-1 7.1).")
        if element.get("/P") is None or element.P.objgen != parent.objgen:
            self.faults.append(f"A {kind} names another parent than the one that holds it.")
        if above in MAY_HOLD and kind not in MAY_HOLD[above]:
            self.faults.append(f"A {above} holds a {kind} (PDF/UA-1 7.2).")
        if kind in MUST_STAND_IN and above not in MUST_STAND_IN[kind]:
            self.faults.append(f"A {kind} stands in a {above} (PDF/UA-1 7.2).")
        if "/ID" in element:
            self._ids.add(str(element.ID))
        if re.fullmatch(r"/H[1-6]", kind):
            self._levels.append(int(kind[2]))
        kids = _list(element.get("/K"))
        if not kids and kind not in ("/TD", "/TH"):
            self.faults.append(f"A {kind} holds nothing.")
        for kid in kids:
            if isinstance(kid, int):
                if kind in NO_TEXT_OF_ITS_OWN:
                    self.faults.append(f"Text stands in a {kind} and in no paragraph of it.")
                page = element.get("/Pg")
                if page is None:
                    self.faults.append(f"A {kind} does not say on which page its content stands.")
                elif self.contents.setdefault((page.objgen[0], int(kid)), element) is not element:
                    self.faults.append(f"Two elements hold the content {int(kid)}.")
            elif kid.get("/Type") == "/OBJR":
                self.annotations[kid.Obj.objgen[0]] = element
            else:
                self._walk(kid, element, kind)
        if kind == "/Figure":
            self._figure(element)
        elif kind == "/Table":
            self._table(element)

    def _figure(self, element: Any) -> None:
        if not str(element.get("/Alt", "")).strip() and not str(element.get("/ActualText", "")).strip():
            self.faults.append("A picture has no alternative text (PDF/UA-1 7.3).")
        box = element.get("/A", {}).get("/BBox")
        page = self._pages.get(element.get("/Pg", self._root).objgen[0])
        if box is None or page is None:
            self.faults.append("A picture does not say where it stands (ISO 32000-1, table 344).")
            return
        left, bottom, right, top = (float(v) for v in box)
        width, height = float(page.MediaBox[2]), float(page.MediaBox[3])
        if not (0 <= left < right <= width and 0 <= bottom < top <= height):
            self.faults.append("A picture says that it stands outside its page.")

    def _table(self, table: Any) -> None:
        rows = [
            (group, row)
            for group in _list(table.get("/K"))
            for row in (_list(group.get("/K")) if self.kind(group) != "/TR" else [group])
            if self.kind(row) == "/TR"
        ]
        widths = set()
        heads = 0
        by_headers = False
        for _, row in rows:
            width = 0
            for cell in _list(row.get("/K")):
                attributes = cell.get("/A", {})
                width += int(attributes.get("/ColSpan", 1))
                by_headers |= bool(_list(attributes.get("/Headers")))
                if self.kind(cell) == "/TH":
                    heads += 1
                    if str(attributes.get("/Scope")) not in ("/Column", "/Row", "/Both"):
                        by_headers or self.faults.append("A header cell does not say what it heads (PDF/UA-1 7.5).")
            widths.add(width)
        if not heads:
            self.faults.append("A table has no header cell (PDF/UA-1 7.5).")
        if len(widths) > 1 and not any("/RowSpan" in c.get("/A", {}) for _, r in rows for c in _list(r.get("/K"))):
            self.faults.append(f"The rows of a table have {sorted(widths)} columns (PDF/UA-1 7.5).")

    def _headings(self) -> None:
        if not self._levels or self._levels[0] != 1:
            self.faults.append("The first heading is not of the first level (PDF/UA-1 7.4.2).")
        for before, after in zip(self._levels, self._levels[1:], strict=False):
            if after > before + 1:
                self.faults.append(f"A heading of level {after} follows one of level {before} (PDF/UA-1 7.4.2).")

    def _parent_tree(self) -> None:
        nums = list(self._root.get("/ParentTree", {}).get("/Nums", []))
        self.by_key = {int(nums[i]): nums[i + 1] for i in range(0, len(nums), 2)}
        if list(self.by_key) != sorted(self.by_key):
            self.faults.append("The parent tree is not in order.")
        if int(self._root.get("/ParentTreeNextKey", -1)) <= max(self.by_key, default=-1):
            self.faults.append("The parent tree's next key is one that is taken.")


def _list(value: Any) -> list[Any]:
    if value is None:
        return []
    return list(value) if isinstance(value, pikepdf.Array) else [value]


# ---- the content of the pages ------------------------------------------------------------------


def _content(pdf: Any, tree: Tree) -> Iterator[str]:
    for number, page in enumerate(pdf.pages, 1):
        here = f"on page {number}"
        seen: set[int] = set()
        open_marks: list[int | str | None] = []
        for step in pikepdf.parse_content_stream(page):
            operator = str(step.operator)
            if operator in ("BDC", "BMC"):
                mark = _mark(step.operands)
                inside = [m for m in open_marks if m is not None]
                if inside and mark is not None:
                    yield f"Marked content {mark} stands inside of {inside[-1]} {here} (PDF/UA-1 7.1)."
                if isinstance(mark, int):
                    if mark in seen:
                        yield f"Content {mark} is marked twice {here}."
                    seen.add(mark)
                open_marks.append(mark)
            elif operator == "EMC":
                open_marks.pop()
            elif operator in PAINTING and not any(m is not None for m in open_marks):
                yield f"{operator} paints what is neither tagged nor an artifact {here} (PDF/UA-1 7.1)."
            elif operator in ("k", "K"):
                yield f"A colour is in CMYK {here}, for which there is no output intent (PDF/A-3 6.2.4)."
        if open_marks:
            yield f"A mark is not closed {here}."
        held = {mcid for at, mcid in tree.contents if at == page.objgen[0]}
        for mcid in sorted(seen - held):
            yield f"Content {mcid} {here} belongs to no element of the tree (PDF/UA-1 7.1)."
        for mcid in sorted(held - seen):
            yield f"An element holds content {mcid} {here}, which is not there."
        parents = tree.by_key.get(int(page.get("/StructParents", -1)))
        if parents is None:
            yield f"The parent tree has nothing {here}."
            continue
        for mcid in sorted(held & seen):
            if mcid >= len(parents) or parents[mcid] is None or parents[mcid].objgen != tree.contents[page.objgen[0], mcid].objgen:  # fmt: skip
                yield f"The parent tree gives another element to content {mcid} {here} than the one that holds it."


def _mark(operands: Any) -> int | str | None:
    """Return the number of a marked content, "artifact", or None where it is neither."""
    if str(operands[0]) == "/Artifact":
        return "artifact"
    if len(operands) > 1 and isinstance(operands[1], pikepdf.Dictionary) and "/MCID" in operands[1]:
        return int(operands[1].MCID)
    return None


# ---- fields and attachments --------------------------------------------------------------------


def _annotations(pdf: Any, tree: Tree) -> Iterator[str]:
    prints, forbidden = 4, 1 | 2 | 32 | 256
    fields = {f.objgen[0] for f in pdf.Root.get("/AcroForm", {}).get("/Fields", [])}
    signed = False
    for number, page in enumerate(pdf.pages, 1):
        annotations = list(page.get("/Annots", []))
        if annotations and page.get("/Tabs") != "/S":
            yield f"The tab order on page {number} does not follow the tags (PDF/UA-1 7.18.3)."
        for annotation in annotations:
            what = f"The field {str(annotation.get('/T', ''))!r} on page {number}"
            if annotation.Subtype != "/Widget":
                yield f"Page {number} has an annotation of the kind {annotation.Subtype}, which none of ours is."
                continue
            flags = int(annotation.get("/F", 0))
            if not flags & prints or flags & forbidden:
                yield f"{what} is hidden or does not print (PDF/A-3 6.3.2)."
            look = annotation.get("/AP", {}).get("/N")
            if not isinstance(look, pikepdf.Stream):
                yield f"{what} has no appearance (PDF/A-3 6.3.3)."
            if annotation.objgen[0] not in fields:
                yield f"{what} is none of the form's."
            if not str(annotation.get("/TU", "")).strip():
                yield f"{what} says nothing of what it is for (PDF/UA-1 7.18.1)."
            if annotation.get("/FT") != "/Sig":
                yield f"{what} is no signature field."
            if "/AA" in annotation or "/A" in annotation:
                yield f"{what} has an action (PDF/A-3 6.4.1)."
            element = tree.annotations.get(annotation.objgen[0])
            if element is None or tree.kind(element) != "/Form":
                yield f"{what} stands in no Form of the tag tree (PDF/UA-1 7.18.4)."
                continue
            kept = tree.by_key.get(int(annotation.get("/StructParent", -1)))
            if kept is None or kept.objgen != element.objgen:
                yield f"{what} has another element in the parent tree than the one that holds it."
            if "/V" in annotation:
                signed = True
    if signed and int(pdf.Root.AcroForm.get("/SigFlags", 0)) != 3:
        yield "The form does not say that it is signed and only to be added to."


def _attachments(pdf: Any) -> Iterator[str]:
    names = list(pdf.Root.get("/Names", {}).get("/EmbeddedFiles", {}).get("/Names", []))
    listed = [str(n) for n in names[::2]]
    if listed != sorted(listed):
        yield "The embedded files are not in the order of their names (ISO 32000-1, 7.9.6)."
    inside = {spec.objgen[0] for spec in names[1::2]}
    associated = [spec.objgen[0] for spec in pdf.Root.get("/AF", [])]
    if len(set(associated)) != len(associated) or set(associated) != inside:
        yield "The associated files are not the embedded ones, each once (PDF/A-3 6.8)."
    for name, spec in zip(listed, names[1::2], strict=True):
        what = f"The file {name!r} inside"
        if not str(spec.get("/F", "")) == str(spec.get("/UF", "")) == name:
            yield f"{what} has another name in its entry (PDF/A-3 6.8, PDF/UA-1 7.11)."
        if str(spec.get("/AFRelationship")) not in RELATIONSHIPS:
            yield f"{what} does not say how it belongs (PDF/A-3 6.8)."
        if not str(spec.get("/Desc", "")):
            yield f"{what} has no description."
        stream = spec.EF.F
        if "/" not in str(stream.get("/Subtype", "")).removeprefix("/"):
            yield f"{what} has no media type (PDF/A-3 6.8)."
        content = bytes(stream.read_bytes())
        about = stream.get("/Params", {})
        if _iso(str(about.get("/ModDate", ""))) is None:
            yield f"{what} has no date (PDF/A-3 6.8)."
        if int(about.get("/Size", -1)) != len(content):
            yield f"{what} has another size than it says."
        if bytes(about.get("/CheckSum", b"")) != hashlib.md5(content, usedforsecurity=False).digest():
            yield f"{what} has another checksum than it says."
