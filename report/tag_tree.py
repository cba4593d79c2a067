"""The tag tree of a laid-out page, put into the order that PDF/UA-1 asks for (ISO 14289-1).

WeasyPrint makes one structure element per box. A box that CSS alone needed (the rows and cells of
`display: table`, a line's text) becomes an element that means nothing, a list whose entries are laid
out as a table is no list any more, and the running foot hangs on elements that belong to no tree. Here
the tree is built again from the same elements: text belongs to its paragraph or cell at once, lists
hold entries and tables rows, every header cell says what it heads, and the foot is an artifact. The
file is smaller for it, and a signature in it checked sooner, for both go by the number of objects.

The structure types are those of ISO 32000-1, 14.8.4; what may stand in what, tables 333 to 338 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import pydyf

#: Elements that hold other elements and no text of their own (ISO 32000-1, 14.8.4.2 and 14.8.4.3).
_GROUPING: Final = frozenset(
    ("/Document", "/Part", "/Art", "/Sect", "/Div", "/BlockQuote", "/L", "/LI", "/Table", "/THead", "/TBody", "/TFoot", "/TR")
)  # fmt: skip
#: What an element has of its own besides its place in the tree; without any of it a Span says nothing.
_MEANINGFUL: Final = ("Alt", "ActualText", "E", "Lang", "A", "T")
_SPLICED: Final = ("/Span", "/NonStruct")
#: Elements of which one that holds nothing but another of its kind is the same as the other alone.
_NESTED_BY_LAYOUT: Final = ("/Sect", "/Div", "/L", "/Part", "/Art")
_MAY_BE_EMPTY: Final = ("/TD", "/TH")
_IN_LIST: Final = ("/LI", "/L", "/Caption")
_IN_ENTRY: Final = ("/Lbl", "/LBody")
_POINTS_PER_PX: Final = 0.75


def tidy(pdf: Any, document: Any) -> None:
    """Build the tag tree of *pdf* again from its own elements.

    Args:
        pdf: The pydyf.PDF that WeasyPrint is about to write.
        document: The weasyprint.Document that it was made from.

    Raises:
        RuntimeError: A picture has no alternative text, or a text belongs to no element and to no margin.
    """
    _Tree(pdf, document).build()


class _Tree:
    def __init__(self, pdf: Any, document: Any) -> None:
        self._pdf = pdf
        self._pages = document.pages
        self._page_no = {reference: number for number, reference in enumerate(pdf.page_references)}
        self._root = self._object(pdf.catalog["StructTreeRoot"])

    def build(self) -> None:
        (top,) = self._root["K"]
        whole = self._object(top)
        whole["K"] = self._kids(whole)
        parents = self._parents(whole)
        self._margins(parents)
        self._write_parent_tree(parents)
        self._shorten(whole)

    def _object(self, reference: bytes) -> Any:
        return self._pdf.objects[int(reference.split()[0])]

    def _element(self, kid: Any) -> Any:
        """Return the structure element that *kid* refers to; None where it is content or an annotation."""
        if isinstance(kid, int):
            return None
        found = self._object(kid)
        return found if found.get("Type") == "/StructElem" else None

    def _kids(self, element: Any) -> list[Any]:
        """Return what *element* holds once everything below it is in order."""
        kids: list[Any] = []
        for kid in element["K"]:
            child = self._element(kid)
            if child is None:
                kids.append(kid)
                continue
            inside = self._kids(child)
            if child["S"] in _SPLICED and not any(key in child for key in _MEANINGFUL):
                kids += self._carried(inside, child)
            elif inside or child["S"] in _MAY_BE_EMPTY:
                child["K"] = inside
                self._settle(child)
                kids.append(kid)
        return self._arranged(element, kids)

    def _carried(self, kids: list[Any], child: Any) -> list[Any]:
        """Return *kids* as they stand once *child* is gone; content remembers its page."""
        return [_Content(kid, child["Pg"]) if type(kid) is int else kid for kid in kids]

    def _arranged(self, element: Any, kids: list[Any]) -> list[Any]:
        kind = element["S"]
        only = self._element(kids[0]) if len(kids) == 1 else None
        if only is not None and only["S"] == kind and kind in _NESTED_BY_LAYOUT:
            return list(only["K"])
        if kind == "/L":
            return [self._entry(kid, element) for kid in kids]
        if kind == "/LI":
            loose = [kid for kid in kids if self._kind(kid) not in _IN_ENTRY]
            if loose:
                return [*(k for k in kids if k not in loose), self._new("/LBody", loose)]
        if kind in _GROUPING:
            return self._in_paragraphs(kids)
        return kids

    def _kind(self, kid: Any) -> str:
        element = self._element(kid)
        return "" if element is None else str(element["S"])

    def _entry(self, kid: Any, parent: Any) -> Any:
        """Return an entry of a list: a term and what is said of it make one entry of two parts."""
        kind = self._kind(kid)
        if kind in _IN_LIST:
            return kid
        inner = list(self._element(kid)["K"]) if kind == "/Div" else []
        if not inner or any(self._kind(k) != "/LI" for k in inner):
            return self._new("/LI", [self._new("/LBody", [kid])])
        parts = [part for entry in inner for part in self._element(entry)["K"]]
        if len(parts) > 1 and self._kind(parts[0]) == "/LBody":
            self._element(parts[0])["S"] = "/Lbl"
        element = self._element(kid)
        element["S"], element["K"] = "/LI", parts
        return kid

    def _in_paragraphs(self, kids: list[Any]) -> list[Any]:
        """Return *kids* with text that stands by itself in paragraphs of its own."""
        out: list[Any] = []
        run: list[Any] = []
        for kid in [*kids, None]:
            if isinstance(kid, int):
                run.append(kid)
                continue
            if run:
                out.append(self._new("/P", run))
                run = []
            if kid is not None:
                out.append(kid)
        return out

    def _new(self, kind: str, kids: list[Any]) -> bytes:
        element = pydyf.Dictionary({"Type": "/StructElem", "S": kind, "K": kids})
        self._pdf.add_object(element)
        reference: bytes = element.reference
        return reference

    def _settle(self, element: Any) -> None:
        """Put right what an element says of itself."""
        kind = element["S"]
        if kind == "/Figure":
            if not element.get("Alt"):
                raise RuntimeError("the certificate could not be laid out faultlessly: a picture has no title")
            # WeasyPrint gives the box in CSS px from the top; it is in points from the bottom.
            page = self._pages[self._page_no[element["Pg"]]]
            left, top, right, bottom = (float(v) * _POINTS_PER_PX for v in element["A"]["BBox"])
            height = page.height * _POINTS_PER_PX
            element["A"]["BBox"] = pydyf.Array(
                [round(left, 2), round(height - bottom, 2), round(right, 2), round(height - top, 2)]
            )
            element["A"]["Placement"] = "/Inline"
        elif kind in _MAY_BE_EMPTY:
            # Headers by reference name every header cell in every cell of the table; Scope says it once.
            element.pop("ID", None)
            element["A"].pop("Headers", None)
            if len(element["A"]) == 1:
                del element["A"]
        elif kind in ("/THead", "/TBody", "/TFoot"):
            for cell in self._cells(element):
                if cell["S"] == "/TH":
                    cell.setdefault("A", pydyf.Dictionary({"O": "/Table"}))
                    cell["A"]["Scope"] = "/Column" if kind == "/THead" else "/Row"

    def _cells(self, group: Any) -> Iterator[Any]:
        for row in group["K"]:
            for cell in self._element(row)["K"]:
                yield self._element(cell)

    def _parents(self, whole: Any) -> dict[tuple[int, int], Any]:
        """Set every element's parent and page, and return the element of each content, by page and number."""
        found: dict[tuple[int, int], Any] = {}
        waiting = [whole]
        while waiting:
            element = waiting.pop()
            page = element.pop("Pg", None)
            for kid in element["K"]:
                child = self._element(kid)
                if child is not None:
                    child["P"] = element.reference
                    waiting.append(child)
                elif isinstance(kid, int):
                    page = kid.page if isinstance(kid, _Content) else page
                    element["Pg"] = page
                    found[self._page_no[page], int(kid)] = element
        return found

    def _margins(self, parents: dict[tuple[int, int], Any]) -> None:
        """Mark what stands in the margins as artifacts: running heads and feet (ISO 14289-1, 7.8)."""
        for number, page in enumerate(self._pages):
            stream = self._object(self._object(self._pdf.page_references[number])["Contents"]).stream
            loose = [
                at
                for at, step in enumerate(stream)
                if step == b"BDC" and (number, stream[at - 1]["MCID"]) not in parents
            ]
            kinds = list(_margin_kinds(page._page_box))
            if len(loose) != len(kinds):
                raise RuntimeError(
                    f"the certificate could not be laid out faultlessly: page {number + 1} holds {len(loose)} texts "
                    f"that no element has, and its margins {len(kinds)}"
                )
            for at, kind in zip(loose, kinds, strict=True):
                stream[at - 2] = b"/Artifact"
                stream[at - 1] = pydyf.Dictionary({"Type": "/Pagination", "Subtype": f"/{kind}"})

    def _write_parent_tree(self, parents: dict[tuple[int, int], Any]) -> None:
        old = self._object(self._root["ParentTree"])["Nums"]
        pages = len(self._pages)
        nums = pydyf.Array()
        for number in range(pages):
            mine = {mcid: element for (page, mcid), element in parents.items() if page == number}
            last = max(mine, default=-1)
            nums += [number, pydyf.Array(mine[i].reference if i in mine else b"null" for i in range(last + 1))]
        annotations = list(old[2 * pages :])
        nums += annotations
        self._object(self._root["ParentTree"])["Nums"] = nums
        self._root["ParentTreeNextKey"] = pages + len(annotations) // 2

    def _shorten(self, whole: Any) -> None:
        """Write a single kid without an array; pyHanko takes a signed field's element only so."""
        waiting = [whole]
        while waiting:
            element = waiting.pop()
            kids = list(element["K"])
            del element["Type"]  # which an element may leave out, and there are thousands of them
            waiting += [child for child in map(self._element, kids) if child is not None]
            plain = [int(kid) if isinstance(kid, int) else kid for kid in kids]
            if len(plain) == 1:
                element["K"] = plain[0]
            elif plain:
                element["K"] = pydyf.Array(plain)
            else:
                del element["K"]


class _Content(int):
    """A content's number that knows its page, while its element is on the way."""

    page: bytes

    def __new__(cls, number: int, page: bytes) -> _Content:
        made = super().__new__(cls, number)
        made.page = page
        return made


def _margin_kinds(page_box: Any) -> Iterator[str]:
    """Yield "Header" or "Footer" for each text and picture in the margins, in the order in which they are painted."""
    from weasyprint.formatting_structure import boxes

    for box in page_box.children:
        if isinstance(box, boxes.MarginBox):
            kind = "Header" if "top" in box.at_keyword else "Footer"
            for inner in box.descendants():
                if isinstance(inner, boxes.TextBox | boxes.ReplacedBox):
                    yield kind
