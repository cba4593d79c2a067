"""The places for approvals on a certificate: whose each is, who has signed there, which one an approval takes. Pure.

The labels stand in the certificate's own data, which the release signed: the first is that of Approval1.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from report.document import ReadDocument
from report.key_names import same_name
from report.page_facts import further_parties
from report.signature_fields import APPROVAL_FIELD
from schemas.customer import plain_label
from schemas.errors import BadInput


@dataclass(frozen=True, slots=True)
class PlaceToSign:
    """One place for an approval.

    Attributes:
        field: Its signature field.
        label: Whose it is, as the page says.
        of_further_party: Whether it is the purchaser's representative's or an official inspector's.
        taken_by: Who signed there, as the certificate of the key says; None while it is free.
    """

    field: str
    label: str
    of_further_party: bool
    taken_by: str | None


def places_to_sign(stated: ReadDocument, holders: Mapping[str, str]) -> tuple[PlaceToSign, ...]:
    """Return the places for approvals in their order; none where the certificate names no further signatures.

    Args:
        stated: The document inside the certificate.
        holders: Who signed in which field.
    """
    customer = stated.evidence.customer
    further = further_parties(stated.facts, customer)
    labels = () if customer is None else customer.approvals
    return tuple(
        PlaceToSign(field, label, label in further, holders.get(field))
        for field, label in ((f"{APPROVAL_FIELD}{n}", label) for n, label in enumerate(labels, 1))
    )


def place_of(role: str, places: tuple[PlaceToSign, ...], where: str) -> PlaceToSign | None:
    """Return the place of *role*, compared without case; None where the certificate has no places at all.

    Args:
        role: In what role somebody approves.
        places: What :func:`places_to_sign` returned.
        where: The file's name, for messages.

    Raises:
        BadInput: No place is called so, or somebody has signed there.
    """
    if not places:
        return None
    named = [place for place in places if plain_label(place.label) == plain_label(role)]
    free = next((place for place in named if place.taken_by is None), None)
    if free is not None:
        return free
    if named:
        raise BadInput(
            f"{where}: {named[0].taken_by} has signed in the place of {named[0].label!r} already; {_free(places)}"
        )
    raise BadInput(f"{where}: it has no place of {role!r} to sign in; {_free(places)}")


def refuse_own_person(place: PlaceToSign | None, name: str, where: str) -> None:
    """Refuse somebody of a shop in a further party's place.

    Raises:
        BadInput: The place is the purchaser's representative's or official inspector's.
    """
    if place is not None and place.of_further_party:
        raise BadInput(
            f"{where}: the place of {place.label!r} is that of the purchaser's representative or of an official inspector, "
            f"which {name} as a person of a shop is not; that party signs with a key of its own, --identity FILE"
        )


def refuse_shops_own_key(place: PlaceToSign | None, organisation: str | None, shop: str, where: str) -> None:
    """Refuse a key that is made out to the shop itself in a further party's place.

    Args:
        place: The place.
        organisation: What the certificate of the key names; None where it names none.
        shop: The shop that issued the certificate.
        where: The file's name, for messages.

    Raises:
        BadInput: The place is the purchaser's representative's or official inspector's.
    """
    if place is not None and place.of_further_party and same_name(shop, organisation or ""):
        raise BadInput(
            f"{where}: the place of {place.label!r} is that of the purchaser's representative or of an official inspector, "
            f"and this key is made out to {organisation}, which issued the certificate; that party signs with its own key"
        )


def _free(places: Iterable[PlaceToSign]) -> str:
    free = [repr(place.label) for place in places if place.taken_by is None]
    return f"free is {' and '.join(free)}, to be said with --as" if free else "no place is free any more"
