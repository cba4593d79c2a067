"""Which inspection a person means: named by its number, the beginning of one, or its lot; and what else a name may mean."""

from __future__ import annotations

from archive.store import Archive
from archive.tombstones import removed_words
from schemas.errors import BadInput
from schemas.inspections import Inspection
from schemas.readings import READINGS
from schemas.tombstones import Tombstone


def inspection_named(wanted: str, archive: Archive) -> Inspection:
    """Return the sealed inspection that *wanted* names, in its valid revision.

    Args:
        wanted: Its number; else its lot; else the beginning of its number.
        archive: Where it is sought; a large one is not read for it.

    Raises:
        BadInput: There is none, or more than one, or it was removed by an order; the sentence names them.
        IntegrityFailed: What was found is not whole.
    """
    found = (
        archive.listed(number=wanted)
        or archive.listed(lot=wanted)
        or (archive.listed(beginning=wanted) if wanted else [])
    )
    if len(found) == 1:
        return archive.inspection(found[0].inspection_id)
    if not found and (gone := removed_inspections(wanted, archive)):
        raise BadInput(f"{_told(gone)}; 'filmtally archive export tombstones FILE' says more")
    if not found:
        raise BadInput(
            f"there is no sealed inspection {wanted!r}, and no such lot; 'filmtally history' lists what there is"
        )
    names = ", ".join(f"{i.inspection_id} (lot {i.lot})" for i in found[:6]) + (", …" if len(found) > 6 else "")
    raise BadInput(f"{wanted!r} names {len(found)} inspections: {names}; name one by its number")


def removed_inspections(wanted: str, archive: Archive) -> list[Tombstone]:
    """Return of each removed inspection that *wanted* names, as in :func:`inspection_named`, its last revision's tombstone.

    Raises:
        IntegrityFailed, BadInput: As :meth:`archive.store.Archive.tombstones`.
    """
    every = [one for one in archive.tombstones() if one.removed_table == READINGS.name]
    found = (
        [one for one in every if one.inspection_id == wanted]
        or [one for one in every if one.lot == wanted]
        or ([one for one in every if one.inspection_id.startswith(wanted)] if wanted else [])
    )
    return list({one.inspection_id: one for one in sorted(found, key=lambda one: one.revision)}.values())


def _told(gone: list[Tombstone]) -> str:
    named = [
        f"inspection {one.inspection_id}{f' (lot {one.lot})' if one.lot else ''} was {removed_words(one)}"
        for one in gone[:6]
    ]
    return "; ".join([*named, "…"] if len(gone) > 6 else named)


def elsewhere(archive: Archive, *, part: str | None = None, lot: str | None = None) -> list[str]:
    """Return, where nothing was found by a part number or a lot, what of that name there is after all, or was, as clauses.

    Raises:
        IntegrityFailed, BadInput: As :meth:`archive.store.Archive.listed`.
    """
    hints = []
    if part is not None and not archive.listed(part_no=part) and archive.listed(lot=part):
        hints.append(f"there is no part {part!r}, but a lot: --lot {part}")
    if lot is not None and not archive.listed(lot=lot) and archive.listed(part_no=lot):
        hints.append(f"there is no lot {lot!r}, but a part: --part {lot}")
    if lot is not None and (gone := [one for one in removed_inspections(lot, archive) if one.lot == lot]):
        hints.append(_told(gone))
    return hints
