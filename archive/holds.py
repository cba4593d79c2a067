"""Holds: a person says that something must not be removed, and a person says that it may again.

A hold is a commit of its own, and lifting it is its second revision: nothing is taken back, and both stand in the ledger.
"""

from __future__ import annotations

import secrets
from datetime import UTC, datetime
from typing import Final

from archive.commit import make_folder
from archive.fold import folding_alone
from archive.retention import holds_set
from archive.store import Archive
from archive.tombstones import removed_words
from schemas.errors import BadInput
from schemas.holds import Hold
from schemas.readings import READINGS
from schemas.tombstones import Tombstone

#: Crockford's base 32: no letter that reads as a digit.
_LETTERS: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"


def fresh_id(at: datetime) -> str:
    """Return a number for a hold or an order that begins at *at*, unlike any other."""
    return f"{at.astimezone(UTC):%Y%m%d-%H%M%S}-" + "".join(secrets.choice(_LETTERS) for _ in range(4))


def set_hold(
    archive: Archive,
    at: datetime,
    by: str,
    reason: str,
    *,
    customer: str | None = None,
    inspection_id: str | None = None,
) -> Hold:
    """Hold all inspections of *customer*, those to come too, or the one inspection, and return the hold.

    A hold and a removal exclude each other: what is held was there when the hold was set, and stays.

    Raises:
        BadInput: The inspection is not there, or not any more; another program folds or removes; or the archive cannot be
            written to.
        IntegrityFailed: The bench's last commit cannot be read.
    """
    hold = Hold(
        hold_id=fresh_id(at),
        revision=1,
        state="set",
        customer=customer,
        inspection_id=inspection_id,
        at=at,
        by=by,
        reason=reason,
    )
    make_folder(archive.root)  # a customer's hold may be the first commit of all
    with folding_alone(archive.root):
        if inspection_id is not None:
            _demand_there(archive, inspection_id)
        archive.commit_hold(hold)
    return hold


def _demand_there(archive: Archive, inspection_id: str) -> None:
    """Refuse an inspection that is not there, nor any certificate of it: of one that was removed they may have been left."""
    gone: Tombstone | None = None
    ordered: set[tuple[str, int]] = set()
    for one in archive.tombstones():
        if one.inspection_id == inspection_id and one.removed_table == READINGS.name:
            gone = one
        elif one.inspection_id == inspection_id:
            ordered.add((one.key, one.revision))
    if gone is None and archive.listed(number=inspection_id):
        return
    if gone is None:
        raise BadInput(f"there is no inspection {inspection_id}; nothing was changed")
    if all((one.number, one.revision) in ordered for one in archive.certificates(inspection_id)):
        raise BadInput(
            f"there is no inspection {inspection_id} any more: it was {removed_words(gone)}; nothing is held"
        )


def lift_hold(archive: Archive, hold_id: str, at: datetime, by: str, reason: str) -> Hold:
    """Lift the hold *hold_id* and return what was written down.

    Raises:
        BadInput: There is no such hold, or it was lifted already; or the archive cannot be written to.
        IntegrityFailed: A file of the archive is not whole.
    """
    every = archive.holds()
    there = next((one for one in holds_set(every) if one.hold_id == hold_id), None)
    if there is None:
        lifted = next((one for one in every if one.hold_id == hold_id and one.state == "lifted"), None)
        if lifted is not None:
            raise BadInput(f"hold {hold_id}: was lifted by {lifted.by} already ({lifted.reason}); nothing was changed")
        have = ", ".join(one.hold_id for one in holds_set(every)) or "none"
        raise BadInput(f"there is no hold {hold_id!r} (there are: {have}); nothing was changed")
    hold = Hold(
        hold_id=hold_id,
        revision=2,
        state="lifted",
        customer=there.customer,
        inspection_id=there.inspection_id,
        at=at,
        by=by,
        reason=reason,
    )
    archive.commit_hold(hold)
    return hold
