"""Whether a key is made out to the person whose name is printed beside the signature. Pure."""

from __future__ import annotations

import unicodedata

from report.identities import Identity, cut_name
from schemas.errors import BadInput


def same_name(printed: str, made_out_to: str) -> bool:
    """Return whether a printed name is the one in a certificate, which holds as much of it as fits; without case."""
    return _plain(cut_name(printed)) == _plain(made_out_to) or _plain(printed) == _plain(made_out_to)


def other_holder(identity: Identity, printed: str) -> str | None:
    """Return to whom the key is made out where that is not the printed name, or None."""
    return None if same_name(printed, identity.holder) else unicodedata.normalize("NFC", identity.holder)


def refuse_anothers_key(identity: Identity, printed: str) -> None:
    """Refuse a self-made key with another name in it than the printed one.

    An authority may write a name in another form, with titles or the family name first; nobody but
    whoever made it wrote that of a self-made key.

    Raises:
        BadInput: It has another name.
    """
    holder = other_holder(identity, printed)
    if identity.self_made and holder is not None:
        raise BadInput(
            f"the key is made out to {holder!r}, and the name to be printed is {printed!r}; sign with the key of that person, "
            "or under the name that the key has"
        )


def _plain(name: str) -> str:
    return " ".join(unicodedata.normalize("NFC", name).casefold().split())
