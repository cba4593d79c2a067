"""Signature fields made with the page, before anybody signs.

A certifying signature allows nothing afterwards but the signing of fields that are there already, and
PDF/UA asks that a field stands in the tag tree (ISO 14289-1, 7.18.4). So the places for signatures are
`<input type="checkbox" name="Release" title="...">` in the template; WeasyPrint lays them out, tags them
and makes a field of each, which becomes an empty signature field here.
"""

from __future__ import annotations

from typing import Any, Final

import pydyf

from schemas.customer import MOST_APPROVALS

#: The field of whoever releases the certificate.
RELEASE_FIELD: Final = "Release"
#: What the fields of further signatures are called: Approval1, Approval2, ...
APPROVAL_FIELD: Final = "Approval"
#: The fields of those who may approve a certificate afterwards, in their order.
APPROVAL_FIELDS: Final = tuple(f"{APPROVAL_FIELD}{number}" for number in range(1, MOST_APPROVALS + 1))

_PRINTED_AND_LOCKED: Final = 4 | 128
_OF_A_CHECKBOX: Final = ("AS", "V", "MK", "Border", "Ff")


def make_signature_fields(pdf: Any) -> tuple[str, ...]:
    """Turn every checkbox of *pdf*, a pydyf.PDF, into an empty signature field and return their names in page order.

    An empty field has an appearance that draws nothing (ISO 19005-3, 6.3.3, asks for one), so that a place that
    nobody signs prints as the template draws it.

    Raises:
        RuntimeError: The page has a form field of another kind, or two of one name.
    """
    form = pdf.catalog.get("AcroForm")
    if form is None:
        return ()
    names: list[str] = []
    for reference in form["Fields"]:
        field = pdf.objects[int(reference.split()[0])]
        if field["FT"] != "/Btn":
            raise RuntimeError(f"the template has a form field of the kind {field['FT']}, which is no place to sign")
        for key in _OF_A_CHECKBOX:
            field.pop(key, None)
        names.append(str(field["T"].string))
        left, top, right, bottom = (float(v) for v in field["Rect"])
        blank = pydyf.Stream(
            [], {"Type": "/XObject", "Subtype": "/Form", "BBox": pydyf.Array([0, 0, right - left, top - bottom])}
        )
        pdf.add_object(blank)
        field["FT"] = "/Sig"
        field["F"] = _PRINTED_AND_LOCKED
        field["Rect"] = pydyf.Array([round(left, 2), round(bottom, 2), round(right, 2), round(top, 2)])
        field["AP"] = pydyf.Dictionary({"N": blank.reference})
    if len(set(names)) != len(names):
        raise RuntimeError(f"the template has two places to sign of one name: {', '.join(names)}")
    pdf.catalog["AcroForm"] = pydyf.Dictionary({"Fields": form["Fields"]})
    return tuple(names)
