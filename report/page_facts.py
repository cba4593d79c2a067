"""The labelled lines of a certificate: for whom, of what, with which gauge, by which rule, released by whom."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final
from zoneinfo import ZoneInfo

from report.evidence import EarlierInspection, Evidence, IssueFacts
from report.figures import NBSP, as_written, day, figure, moment, with_unit
from rules.decision import worst_risk
from rules.distributions import normal_quantile
from rules.results import Assessment
from rules.sentence import Figures, joined, said
from schemas.customer import Customer
from schemas.job import DecisionTerms, Job
from schemas.units import UM_PER_MIL, Unit
from schemas.vocabulary import DecisionRule, ProbeMode, RuleName

MEANING: Final = said("I have seen the readings and checks behind this certificate and release it.")
#: What an approval means where nobody says otherwise; the page has the same words at its place.
AGREEMENT: Final = said("I have seen this certificate and agree to it.")

#: Rules that ask for a share of the readings besides.
_COUNT_READINGS: Final = (
    RuleName.ISO_19840,
    RuleName.ARCHITECTURAL_ALUMINIUM,
    RuleName.NINETY_TEN,
    RuleName.SHOP_RULE,
)
_METHODS: Final = {
    ProbeMode.MAGNETIC: said("magnetic induction, non-magnetic coating on a magnetic base (ISO 2178)"),
    ProbeMode.EDDY_CURRENT: said("eddy current, non-conductive coating on a conductive base (ISO 2360)"),
}
_PROBES: Final = {ProbeMode.MAGNETIC: said("magnetic"), ProbeMode.EDDY_CURRENT: said("eddy-current")}


@dataclass(frozen=True, slots=True)
class Fact:
    """One labelled line."""

    label: str
    text: str


def joined_words(words: Iterable[str | None]) -> str:
    """Return the different words in the order met, joined by commas."""
    return joined(dict.fromkeys(w for w in words if w), ", ")


def order_facts(evidence: Evidence, facts: IssueFacts) -> tuple[Fact, ...]:
    """Return whom the certificate is for, and for which delivery."""
    inspection, job = evidence.inspection, evidence.job
    contact = None if evidence.customer is None else evidence.customer.contact
    lot_size = str(inspection.lot_size) if inspection.lot_size is not None else said("not stated")
    return _facts(
        (said("Customer"), inspection.customer),
        (said("Address"), job.customer_address or (said("not stated") if contact is None else None)),
        (said("Contact"), contact),
        (said("Purchase order, line"), inspection.purchase_order),
        (said("Work order"), inspection.work_order),
        (said("Packing slip"), facts.packing_slip),
        (said("Part"), _with_revision(inspection.part_no, inspection.part_revision)),
        (said("Description"), job.title),
        (said("Lot"), inspection.lot),
        (said("Parts received"), None if facts.received_on is None else day(facts.received_on)),
        (said("Pieces in the lot"), lot_size),
        (said("Pieces measured"), str(inspection.pieces_measured)),
        (said("Pieces delivered"), None if facts.quantity is None else str(facts.quantity)),
    )


def process_facts(evidence: Evidence) -> tuple[Fact, ...]:
    """Return what was asked for and what was done to the pieces."""
    inspection, job = evidence.inspection, evidence.job
    powder = joined_words(r.powder for r in evidence.readings)
    batch = joined_words(r.powder_batch for r in evidence.readings)
    zone = ZoneInfo(evidence.shop.time_zone)
    return _facts(
        (said("Specification"), job.specification),
        (said("Metal"), job.substrate),
        (said("Pretreatment"), job.pretreatment),
        (said("Powder"), powder or job.powder),
        (said("Powder batch"), batch or said("not stated")),
        (said("Coats"), str(inspection.coats)),
        (said("Bakes"), str(inspection.bakes)),
        (said("Inspected before"), joined([_earlier(e, zone) for e in evidence.earlier], "; ")),
        (said("Racks"), joined_words(r.rack for r in evidence.readings)),
        (said("Safety class"), job.safety_class),
    )


def gauge_facts(evidence: Evidence) -> tuple[Fact, ...]:
    """Return the gauge, its calibration certificate, the method and the place."""
    inspection = evidence.inspection
    gauge = evidence.shop.find_gauge(inspection.gauge_serial)
    serial = said("serial {serial}", serial=gauge.serial)
    accuracy = said(
        "{constant} + {share} of the thickness, as its maker states",
        constant=with_unit(as_written(gauge.accuracy_um), "µm"),
        share=with_unit(as_written(gauge.accuracy_percent), "%"),
    )
    modes = dict.fromkeys(ProbeMode(r.probe_mode) for r in evidence.readings) or [ProbeMode(inspection.probe_mode)]
    return _facts(
        (said("Gauge"), joined((gauge.name, serial), ", ") if gauge.name else serial),
        (said("Probe"), joined_words(_PROBES[mode] for mode in modes)),
        (said("Method"), joined([_METHODS[mode] for mode in modes], "; ")),
        (said("Accuracy"), accuracy),
        (said("Calibration certificate"), f"{gauge.calibration_certificate}, {gauge.calibrated_by}"),
        (
            said("Calibrated"),
            said("{on}, holds up to {due}", on=day(gauge.calibrated_on), due=day(gauge.calibration_due)),
        ),
        (said("Measured at"), joined((evidence.shop.name, evidence.shop.address), ", ")),
        (said("Temperature at the checks"), _temperatures(evidence)),
    )


def rule_facts(assessment: Assessment, job: Job) -> tuple[Fact, ...]:
    """Return the acceptance rule, its source, and how uncertainty entered the decision."""
    rule, terms = assessment.rule, job.decision
    edition = (
        said("{source}; edition stated by the order: {edition}", source=rule.source, edition=rule.edition)
        if rule.edition
        else rule.source
    )
    return _facts(
        (said("Rule"), joined((rule.title, rule.text), ". ")),
        (said("Source"), edition),
        (said("How well known"), rule.known),
        (said("Decision rule"), _with_shares(decision_text(terms), terms, rule.name)),
        (said("Unit of the decision"), unit_ruling(assessment)),
        (said("Readings planned"), _planned(job)),
        (said("Correction"), assessment.correction or None),
    )


def sampling_facts(assessment: Assessment) -> tuple[Fact, ...]:
    """Return the plan of the lot; nothing where the job names none."""
    lot = assessment.lot
    if lot is None:
        return ()
    return _facts(
        (said("Plan of the lot"), lot.text),
        (said("Series"), lot.series),
        (said("Pieces"), lot.chosen),
        (said("What it can tell"), lot.risk),
        (said("Source of the plan"), joined((lot.source, lot.known), "; ")),
    )


def release_facts(evidence: Evidence, facts: IssueFacts, zone: ZoneInfo) -> tuple[Fact, ...]:
    """Return who releases the certificate, in what role, and what that means.

    Raises:
        BadInput: The signer is no inspector of the shop.
    """
    signer = evidence.shop.find_inspector(facts.signer)
    standing = (
        said("independent of production") if signer.independent_of_production else said("not independent of production")
    )
    return _facts(
        (said("Released by"), joined((signer.name, signer.role, standing), ", ")),
        (said("Issued"), moment(facts.issued_at, zone)),
        (said("Meaning of the signature"), MEANING),
    )


def document_type_text(facts: IssueFacts, customer: Customer | None) -> str:
    """Return which type of inspection certificate this is by EN 10204; empty where none is claimed.

    Certificates from before the customer's file said which place is the further party's name all of them.
    """
    if facts.document_type == "3.1":
        return said(
            "Inspection certificate 3.1 as in EN 10204: results of this very lot, released independently of production. "
            "EN 10204 is written for metallic products; for a coating it holds by agreement."
        )
    if facts.document_type == "3.2":
        return said(
            "Inspection certificate 3.2 as in EN 10204, once it is signed below by {who} as well: "
            "results of this very lot, released independently of production. "
            "EN 10204 is written for metallic products; for a coating it holds by agreement.",
            who=joined(further_parties(facts, customer), ", "),
        )
    return ""


def further_parties(facts: IssueFacts, customer: Customer | None) -> tuple[str, ...]:
    """Return the labels of the places that are the purchaser's representative's or official inspector's."""
    if customer is None:
        return ()
    if customer.further_party is not None:
        return (customer.further_party,)
    return customer.approvals if facts.document_type == "3.2" else ()


def unit_ruling(assessment: Assessment) -> str:
    """Return which unit decides."""
    unit = assessment.unit.symbol
    if assessment.unit is Unit.MIL:
        unit = joined(
            (unit, joined(("(", Figures("0.001"), f"{NBSP}in = ", Figures(f"{UM_PER_MIL}"), f"{NBSP}µm)"), ""))
        )
    return said("{unit}, the unit of the specification; another unit is printed for information", unit=unit)


def decision_text(terms: DecisionTerms) -> str:
    """Return the decision rule of a job in words, with the risk that it leaves."""
    if terms.rule is DecisionRule.SIMPLE:
        return said(
            "Simple acceptance: a result on or within its limit conforms, and measurement uncertainty is not taken into "
            "account. For a result at the limit the risk of false acceptance is up to 50\u00a0% (ILAC-G8:09/2019, 4.2.1)."
        )
    risk = figure(Fraction(worst_risk(terms.guard_factor, normal_quantile((1 + terms.coverage) / 2))) * 100, 1)
    if terms.rule is DecisionRule.GUARD_BAND:
        return said(
            "Guard band of w = {r} · U inside each limit: a result conforms where it is clear of it, and does not where it is "
            "not; on its edge it is clear. The risk of false acceptance is at most {risk}\u00a0% (ILAC-G8:09/2019, 4.2.2).",
            r=as_written(terms.guard_factor),
            risk=risk,
        )
    return said(
        "Guard bands of w = {r} · U on both sides of each limit: pass, conditional pass, conditional fail, fail; a conditional "
        "pass counts as conforming and is said to be conditional, a conditional fail as not conforming. The risk of false "
        "acceptance of a pass is at most {risk}\u00a0% (ILAC-G8:09/2019, 4.2.3).",
        r=as_written(terms.guard_factor),
        risk=risk,
    )


def key_note(key: str, issuer: str | None) -> str:
    """Return what the signature is worth, in plain words.

    Args:
        key: Fingerprint of the signing certificate, as a person compares it.
        issuer: Who vouches for it; None for a key that the shop made itself.
    """
    if issuer is None:
        return said(
            "The signature shows that this file is as it was when the holder of the key with the fingerprint {key} signed it. "
            "The shop made that key itself, and nobody else vouches for it: before relying on it, ask the shop by another way "
            "than this document whether the fingerprint is theirs.",
            key=key,
        )
    return said(
        "The signature shows that this file is as it was when the holder of the key with the fingerprint {key} signed it. "
        "{issuer} states in a certificate inside the signature whose key that is; what this is worth depends on how that "
        "authority checks the people it names, and on whether you trust it.",
        key=key,
        issuer=issuer,
    )


def _with_shares(text: str, terms: DecisionTerms, rule: str) -> str:
    """Add what a guard band does not reach, where the rule counts readings."""
    if terms.rule is DecisionRule.SIMPLE or rule not in _COUNT_READINGS:
        return text
    return joined(
        (text, said("Where the rule counts readings, they are counted as read, without a guard band.")),
    )


def _planned(job: Job) -> str:
    """Return how many readings each location of a piece asks for, in one line where all ask the same."""
    plans = {(place.spots, place.readings_per_spot) for place in job.location}
    if len(plans) > 1:
        return joined(
            [joined((place.name, _plan(place.spots, place.readings_per_spot)), ": ") for place in job.location], "; "
        )
    ((spots, each),) = plans
    return said("at each location of a piece {plan}", plan=_plan(spots, each))


def _plan(spots: int, each: int) -> str:
    if spots == 1:
        return said("1 spot of {each}", each=_readings(each))
    return said("{spots} spots of {each}", spots=spots, each=_readings(each))


def _readings(number: int) -> str:
    return said("1 reading") if number == 1 else said("{n} readings", n=number)


def _earlier(before: EarlierInspection, zone: ZoneInfo) -> str:
    what = {"id": before.inspection_id, "day": day(before.sealed_at.astimezone(zone).date()), "coats": before.coats}
    if before.conformity == "PASS":
        return said("{id} on {day}, coats {coats}: the readings conformed", **what)
    if before.conformity == "FAIL":
        return said("{id} on {day}, coats {coats}: the readings did not conform", **what)
    return said("{id} on {day}, coats {coats}: it was not decided whether the readings conform", **what)


def _temperatures(evidence: Evidence) -> str | None:
    seen: list[Decimal] = sorted({c.temperature_c for c in evidence.checks if c.temperature_c is not None})
    if not seen:
        return None
    if len(seen) == 1:
        return with_unit(as_written(seen[0]), "°C")
    return said("{least} to {most}", least=as_written(seen[0]), most=with_unit(as_written(seen[-1]), "°C"))


def _with_revision(part_no: str, revision: str | None) -> str:
    return said("{part}, revision {revision}", part=part_no, revision=revision) if revision else part_no


def _facts(*pairs: tuple[str, str | None]) -> tuple[Fact, ...]:
    return tuple(Fact(label, text) for label, text in pairs if text)
