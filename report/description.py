"""What a PDF says about itself: its Info dictionary and its XMP metadata, before and after a signature.

Programs that sign write their name and the time into both, and that has to be let through. Everything else
there is what the shop said: title, author, that it is PDF/A and PDF/UA.
"""

from __future__ import annotations

import io
from typing import Any, Final

import pikepdf

_OF_THE_PROGRAM: Final = (
    "/ModDate",
    "/Producer",
    "{http://ns.adobe.com/xap/1.0/}ModifyDate",
    "{http://ns.adobe.com/xap/1.0/}MetadataDate",
    "{http://ns.adobe.com/pdf/1.3/}Producer",
    # Says which properties the other entries have; a program that writes the XMP anew sets it out in its own way.
    "{http://www.aiim.org/pdfa/ns/extension/}schemas",
)


def same_description(before: bytes, after: bytes) -> bool:
    """Return whether two states of a file describe themselves alike, but for date and program of the last change."""
    return _description(before) == _description(after)


def _description(pdf: bytes) -> dict[str, Any]:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        said = {key: str(value) for key, value in opened.docinfo.items()}
        with opened.open_metadata(set_pikepdf_as_editor=False, update_docinfo=False) as xmp:
            said.update({key: str(xmp[key]) for key in xmp})
    return {key: value for key, value in said.items() if key not in _OF_THE_PROGRAM}
