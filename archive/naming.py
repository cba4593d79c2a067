"""Which inspection a person means: named by its number, the beginning of one, or its lot."""

from __future__ import annotations

from collections.abc import Sequence

from schemas.errors import BadInput
from schemas.inspections import Inspection


def inspection_named(wanted: str, every: Sequence[Inspection]) -> Inspection:
    """Return the one of *every* that *wanted* names.

    Args:
        wanted: Its number; else its lot; else the beginning of its number.
        every: The sealed inspections, each in one revision.

    Raises:
        BadInput: There is none, or more than one; the sentence names them.
    """
    found = (
        [i for i in every if i.inspection_id == wanted]
        or [i for i in every if i.lot == wanted]
        or [i for i in every if wanted and i.inspection_id.startswith(wanted)]
    )
    if len(found) == 1:
        return found[0]
    if not found:
        raise BadInput(
            f"there is no sealed inspection {wanted!r}, and no such lot; 'filmtally history' lists what there is"
        )
    names = ", ".join(f"{i.inspection_id} (lot {i.lot})" for i in found[:6]) + (", …" if len(found) > 6 else "")
    raise BadInput(f"{wanted!r} names {len(found)} inspections: {names}; name one by its number")
