"""Which inspection a person means: named by its number, the beginning of one, or its lot."""

from __future__ import annotations

from archive.store import Archive
from schemas.errors import BadInput
from schemas.inspections import Inspection


def inspection_named(wanted: str, archive: Archive) -> Inspection:
    """Return the sealed inspection that *wanted* names, in its valid revision.

    Args:
        wanted: Its number; else its lot; else the beginning of its number.
        archive: Where it is sought; a large one is not read for it.

    Raises:
        BadInput: There is none, or more than one; the sentence names them.
        IntegrityFailed: What was found is not whole.
    """
    found = (
        archive.listed(number=wanted)
        or archive.listed(lot=wanted)
        or (archive.listed(beginning=wanted) if wanted else [])
    )
    if len(found) == 1:
        return archive.inspection(found[0].inspection_id)
    if not found:
        raise BadInput(
            f"there is no sealed inspection {wanted!r}, and no such lot; 'filmtally history' lists what there is"
        )
    names = ", ".join(f"{i.inspection_id} (lot {i.lot})" for i in found[:6]) + (", …" if len(found) > 6 else "")
    raise BadInput(f"{wanted!r} names {len(found)} inspections: {names}; name one by its number")
