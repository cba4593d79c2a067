"""What a customer asks to be on a certificate, and what of it is missing; asked before one is made. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from report.evidence import Evidence, IssueFacts
from rules.results import Assessment
from rules.verdict import Verdict
from schemas.vocabulary import Demand

#: For each demand: whether it is met, and what to do where it is not.
_CHECKS: Final[dict[Demand, tuple[Callable[[Evidence, Assessment, IssueFacts], bool], str]]] = {
    Demand.PURCHASE_ORDER: (
        lambda e, a, f: bool(e.inspection.purchase_order),
        "the purchase order, which is given when measuring: filmtally amend",
    ),
    Demand.WORK_ORDER: (
        lambda e, a, f: bool(e.inspection.work_order),
        "the work order, which is given when measuring: filmtally amend",
    ),
    Demand.PACKING_SLIP: (lambda e, a, f: bool(f.packing_slip), "the packing slip: --packing-slip NUMBER"),
    Demand.PART_REVISION: (
        lambda e, a, f: bool(e.inspection.part_revision),
        "the revision of the part: part_revision in its job, before measuring",
    ),
    Demand.LOT_SIZE: (
        lambda e, a, f: e.inspection.lot_size is not None,
        "the number of pieces in the lot, which is given when measuring: filmtally amend",
    ),
    Demand.QUANTITY: (lambda e, a, f: f.quantity is not None, "the number of pieces delivered: --quantity N"),
    Demand.RECEIVED: (lambda e, a, f: f.received_on is not None, "the day on which the parts came in: --received DAY"),
    Demand.SPECIFICATION: (
        lambda e, a, f: bool(e.job.specification),
        "the specification: specification in its job, before measuring",
    ),
    Demand.RULE_EDITION: (
        lambda e, a, f: bool(e.job.rule.edition),
        "the edition of the rule's standard: rule.edition in its job, before measuring",
    ),
    Demand.PRETREATMENT: (
        lambda e, a, f: bool(e.job.pretreatment),
        "the pretreatment: pretreatment in its job, before measuring",
    ),
    Demand.POWDER_BATCH: (
        lambda e, a, f: bool(e.readings) and all(r.powder_batch for r in e.readings if r.counted),
        "the batch of the powder, which is given when measuring: filmtally amend",
    ),
    Demand.DRAWING: (
        lambda e, a, f: e.drawing is not None,
        "the drawing of the part: drawing in its job, before measuring",
    ),
    Demand.UNCERTAINTY: (
        lambda e, a, f: all(place.uncertainty is not None for place in a.locations),
        "the expanded uncertainty at every location: enough readings, a closing check and the gauge's accuracy give it",
    ),
    Demand.EVERY_PIECE: (
        lambda e, a, f: e.inspection.lot_size is not None and e.inspection.pieces_measured >= e.inspection.lot_size,
        "every piece of the lot measured: measure the others",
    ),
    Demand.INDEPENDENT_SIGNER: (
        lambda e, a, f: e.shop.find_inspector(f.signer).independent_of_production,
        "a signer who is independent of production, as shop.toml says it: --signer CODE",
    ),
}


@dataclass(frozen=True, slots=True)
class Lack:
    """Something that has to be on a certificate and would not be.

    Attributes:
        what: What it is, and what to do about it.
        of_the_type: Whether the type of EN 10204 asks for it; else the customer does.
    """

    what: str
    of_the_type: bool = False


def missing(evidence: Evidence, assessment: Assessment, facts: IssueFacts) -> list[Lack]:
    """Return what the customer asks for and the certificate would not state, each with what to do about it.

    An inspection certificate of type 3.1 or 3.2 by EN 10204 asks for a signer independent of production and for results
    of the delivered goods themselves.

    Raises:
        BadInput: The signer is no inspector of the shop.
    """
    customer = evidence.customer
    demands = list(customer.demands) if customer is not None else []
    asked = [Lack(what) for met, what in (_CHECKS[d] for d in demands) if not met(evidence, assessment, facts)]
    return asked + [Lack(what, of_the_type=True) for what in _of_the_type(evidence, assessment, facts, demands)]


def _of_the_type(evidence: Evidence, assessment: Assessment, facts: IssueFacts, demands: list[Demand]) -> Iterator[str]:
    """Yield what the type of EN 10204 that the certificate is to claim asks for and is not there (from memory)."""
    if facts.document_type is None:
        return
    met, what = _CHECKS[Demand.INDEPENDENT_SIGNER]
    if Demand.INDEPENDENT_SIGNER not in demands and not met(evidence, assessment, facts):
        yield what
    if assessment.verdict is not Verdict.PASS:
        yield "a lot that conforms: the type declares compliance with the order; leave --type out"
    if not any(r.counted for r in evidence.readings):
        yield "results of this very lot"
    if facts.document_type == "3.2" and (evidence.customer is None or evidence.customer.further_party is None):
        yield (
            "the place of the further signature: approvals in the customer's file in customers/, and further_party there, which "
            "names the one of the purchaser's representative or official inspector"
        )
