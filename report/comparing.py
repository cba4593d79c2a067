"""Two parties made comparable: a verified certificate and what another party found, piece by piece where both name them.

Only the certificate's own data are used, and only after it was verified.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Final

from report.assessing import judge
from report.document import ReadDocument
from report.evidence import Evidence
from report.trust import Trust
from report.verifying import Part, VerificationReport, document_of, verify
from rules.dispute import Comparison, compare
from rules.film_build import is_base, is_judged
from rules.parties import Budgeted, Checked, Party, Result, budgeted
from rules.party_places import key_of, renamed
from rules.party_readings import PartyReading, Told, party_of, pieces_in
from rules.results import Assessment, LocationResult
from rules.statistics import mean
from rules.verdict import Verdict
from rules.verification_error import Correcting, correcting
from rules.wording import listed
from schemas.errors import BadInput, IntegrityFailed
from schemas.readings import GaugeReading
from schemas.units import Unit, to_um
from schemas.vocabulary import VerificationError

#: A certificate over more pieces than this is not taken apart to see which piece another party may have measured.
_MOST_PIECES: Final = 24


@dataclass(frozen=True, slots=True)
class Opened:
    """A certificate that was verified and read.

    Attributes:
        called: What it is called: its number and revision.
        document: What is inside.
        report: What became of every part.
    """

    called: str
    document: ReadDocument
    report: VerificationReport

    @property
    def not_shown(self) -> tuple[Part, ...]:
        """Return the parts that could not be shown, such as who holds the key."""
        return tuple(p for p in self.report.parts if p.verdict is Verdict.UNDECIDED)


def opened(pdf: bytes, path: str, trusted: Trust) -> Opened:
    """Return a certificate, verified.

    Args:
        pdf: The file.
        path: What it is called in sentences.
        trusted: Whom the reader trusts; with nobody, who signed is not shown, and that is only said.

    Raises:
        IntegrityFailed: A part of it does not hold.
    """
    try:
        report = verify(pdf, trusted)
        document = document_of(pdf)
    except (IntegrityFailed, BadInput) as wrong:
        raise type(wrong)(f"{path}: {wrong.sentence}") from None
    broken = next((p for p in report.parts if p.verdict is Verdict.FAIL), None)
    if broken is not None:
        raise IntegrityFailed(f"{path}: {broken.sentence} Nothing is compared with it; 'filmtally verify' says more")
    return Opened(f"{document.facts.number} r{document.facts.revision}", document, report)


@dataclass(frozen=True, slots=True)
class Wishes:
    """What was asked for beside the two files.

    Attributes:
        pieces: Pieces of the certificate that are compared; all of them where empty.
        same: Location of the other party by its own name, and what the certificate calls it.
    """

    pieces: tuple[str, ...] = ()
    same: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison, and what has to be said about what went into it.

    Attributes:
        remarks: That, in sentences.
        nothing_to_learn: Why a comparison of the two says nothing, in a sentence that stands before all others; empty where it may.
    """

    comparison: Comparison
    remarks: tuple[str, ...]
    nothing_to_learn: str = ""


def with_readings(one: Opened, readings: Sequence[PartyReading], told: Told, wishes: Wishes) -> Compared:
    """Return a certificate compared with readings.

    Raises:
        BadInput: They have no piece or no location in common, or the readings contradict each other.
    """
    said: list[str] = []
    have = _pieces(one.document.evidence)
    pieces = _wished(wishes.pieces, have, one.called)
    theirs = pieces_in(readings)
    if theirs and not wishes.pieces:
        pieces = _common(one.called, have, told.name, theirs)
    if theirs and any(key_of(p) in {key_of(q) for q in theirs} for p in pieces):
        kept = {key_of(p) for p in pieces}
        left_out = [p for p in theirs if key_of(p) not in kept]
        readings = [r for r in readings if r.piece is None or key_of(r.piece) in kept]
        if left_out:
            said.append(
                f"{told.name} also measured {_named_pieces(left_out)}: not on the certificate, so not compared."
            )
    if len(pieces) < len(have):
        said.append(f"Compared on {_named_pieces(pieces)}; the certificate is of {_named_pieces(have)}.")
    unknown = len(pieces) > 1 and not theirs
    if unknown:
        said.append(
            f"{told.name} does not say which piece it measured: it is compared with the mean over {_named_pieces(pieces)} "
            "(say which with --piece)."
        )
    mine = _party(one, pieces, apart=unknown)
    try:
        told = replace(told, standard=_standard_as_known(told.standard, mine))
        other = _renamed(party_of(readings, told), wishes.same)
    except ValueError as wrong:
        raise BadInput(f"{told.name}: {wrong}") from None
    return _compared(mine, other, Unit(one.document.evidence.job.unit), said)


def with_certificate(one: Opened, two: Opened, wishes: Wishes) -> Compared:
    """Return two certificates compared, by the unit of the first.

    Raises:
        BadInput: They have no piece or no location in common, or are the same certificate.
    """
    if one.called == two.called:
        raise BadInput(f"{one.called}: a certificate is not compared with itself; name the other party's")
    evidence, theirs = one.document.evidence, two.document.evidence
    said = []
    for what, mine_says, theirs_says in (
        ("part", evidence.inspection.part_no, theirs.inspection.part_no),
        ("lot", evidence.inspection.lot, theirs.inspection.lot),
    ):
        if mine_says != theirs_says:
            said.append(f"The certificates name different {what}s: {listed(sorted((mine_says, theirs_says)))}.")
    have = _pieces(evidence)
    pieces = (
        _wished(wishes.pieces, have, one.called)
        if wishes.pieces
        else _common(one.called, have, two.called, _pieces(theirs))
    )
    if wishes.pieces:
        _wished(wishes.pieces, _pieces(theirs), two.called)
    for opened_one, every in ((one, have), (two, _pieces(theirs))):
        if len(pieces) < len(every):
            said.append(f"Compared on {_named_pieces(pieces)}; {opened_one.called} is of {_named_pieces(every)}.")
    try:
        other = _renamed(_party(two, pieces), wishes.same)
    except ValueError as wrong:
        raise BadInput(f"{two.called}: {wrong}") from None
    found = _compared(_party(one, pieces), other, Unit(evidence.job.unit), said)
    return replace(found, nothing_to_learn=_one_source(evidence, theirs))


def _one_source(mine: Evidence, theirs: Evidence) -> str:
    """Return what is said of two certificates of one inspection; empty where each has readings of its own."""
    inspection = mine.inspection
    if (inspection.shop, inspection.inspection_id) != (theirs.inspection.shop, theirs.inspection.inspection_id):
        return ""
    taken = [{(r.reading_no, r.taken_at, r.thickness_um) for r in e.readings} for e in (mine, theirs)]
    if not taken[0] & taken[1]:
        return ""
    counted = [{r.reading_no for r in e.readings if r.counted} for e in (mine, theirs)]
    unlike = "" if counted[0] == counted[1] else " (they do not count the same ones of them)"
    return (
        f"Both certificates state the same readings, those of inspection {inspection.inspection_id}{unlike}: nothing can be "
        "learnt from their difference. Compare with what another party read."
    )


def _compared(mine: Party, other: Party, unit: Unit, said: Sequence[str]) -> Compared:
    if mine.name == other.name:
        raise BadInput(f"both parties are called {mine.name!r}; give the other one a name with --other-name")
    try:
        comparison = compare(mine, other, unit)
    except ValueError as wrong:
        names = f"{mine.name} has {listed(list(mine.results), 8)}; {other.name} has {listed(list(other.results), 8)}"
        raise BadInput(f"{wrong}: {names}. Say which is which with --same THEIRS=OURS") from None
    return Compared(comparison, tuple(said))


def _renamed(party: Party, same: Mapping[str, str] | None) -> Party:
    return replace(party, results=renamed(party.results, same)) if same else party


# Pieces


def _pieces(evidence: Evidence) -> tuple[str, ...]:
    return tuple(dict.fromkeys(r.piece for r in evidence.readings if is_judged(r)))


def _wished(wanted: Sequence[str], have: Sequence[str], called: str) -> tuple[str, ...]:
    if not wanted:
        return tuple(have)
    keys = {key_of(p): p for p in have}
    unknown = [p for p in wanted if key_of(p) not in keys]
    if unknown:
        raise BadInput(f"--piece {unknown[0]}: {called} is of {_named_pieces(have)}")
    return tuple(dict.fromkeys(keys[key_of(p)] for p in wanted))


def _common(called: str, have: Sequence[str], other: str, theirs: Sequence[str]) -> tuple[str, ...]:
    keys = {key_of(p) for p in theirs}
    common = tuple(p for p in have if key_of(p) in keys)
    if not common:
        raise BadInput(
            f"{other} measured {_named_pieces(theirs)} and {called} is of {_named_pieces(have)}: say which of the "
            "certificate's pieces is meant with --piece"
        )
    return common


def _named_pieces(pieces: Sequence[str]) -> str:
    return f"{'piece' if len(pieces) == 1 else 'pieces'} {listed(list(pieces), 6)}"


# A certificate as a party


def _party(one: Opened, pieces: Sequence[str], *, apart: bool = False) -> Party:
    evidence = one.document.evidence
    whole = _results(_of_pieces(evidence, pieces))
    alone = {}
    if apart and len(pieces) <= _MOST_PIECES:
        alone = {piece: _results(_of_pieces(evidence, [piece]))[0] for piece in pieces}
    results, assessment = whole
    return Party(
        name=one.called,
        results=results,
        unit=Unit(evidence.job.unit),
        unit_recorded=True,
        checked=Checked(assessment.coverage.state, assessment.coverage.sentence),
        says_subtracted=True,
        judges=assessment.rule.title,
        pieces=alone,
        printed_coverage=next(
            (p.uncertainty.coverage for p in assessment.locations if p.uncertainty is not None), None
        ),
    )


def _of_pieces(evidence: Evidence, pieces: Sequence[str]) -> Evidence:
    """Return *evidence* with the readings of some pieces alone, and those taken before coating."""
    wanted = set(pieces)
    kept = tuple(r for r in evidence.readings if r.piece in wanted or is_base(r))
    return evidence if len(kept) == len(evidence.readings) else replace(evidence, readings=kept)


def _results(evidence: Evidence) -> tuple[dict[str, Result], Assessment]:
    assessment = judge(evidence)
    checks = _checks(evidence, assessment)
    by_location: dict[str, list[GaugeReading]] = {}
    for reading in evidence.readings:
        place = evidence.job.find(reading.location) if is_judged(reading) else None
        if place is not None:
            by_location.setdefault(place.name, []).append(reading)
    results = {
        place.location: _result(place, by_location[place.location], evidence, checks)
        for place in assessment.locations
        if place.builds
    }
    return results, assessment


def _checks(evidence: Evidence, assessment: Assessment) -> tuple[Correcting, ...]:
    """Return what the opening and the closing check measured, as far as there are any."""
    coverage = assessment.coverage
    ids = [c.check_id for c in (coverage.opening, coverage.closing) if c is not None]
    found = (correcting(evidence.shop.verification.error, check_id, evidence.checks) for check_id in dict.fromkeys(ids))
    return tuple(one for one in found if one is not None)


def _result(
    place: LocationResult, readings: Sequence[GaugeReading], evidence: Evidence, checks: Sequence[Correcting]
) -> Result:
    unit = Unit(evidence.job.unit)
    builds = tuple(_um(b, unit) for b in place.builds)
    correction = evidence.job.rule.roughness_correction_um
    subtracted = mean([Fraction(correction if r.base_metal_um is None else r.base_metal_um) for r in readings])
    at = mean([Fraction(r.thickness_um) for r in readings])
    terms = None if place.uncertainty is None else budgeted(place.uncertainty, place.one_reading)
    return Result(
        builds_um=builds,
        count=len(builds),
        terms=terms,
        subtracted_um=subtracted or None,
        gauge_error_um=_error_um(checks, at),
        standard=_standard(evidence, checks, at, terms),
        lower_um=_limit_um(place.lower, unit),
        upper_um=_limit_um(place.upper, unit),
    )


def _error_um(checks: Sequence[Correcting], at_um: Fraction) -> Fraction | None:
    """Return the mean error of the checks on the standard nearest to a thickness; 0 where readings are corrected for it."""
    if not checks:
        return None
    if checks[0].policy is not VerificationError.CARRIED:
        return Fraction(0)
    errors = []
    for check in checks:
        row = check.nearest(at_um)
        if row.mean_um is not None and row.certified_um is not None:
            errors.append(Fraction(row.mean_um) - Fraction(row.certified_um))
    return mean(errors) if errors else None


def _standard(evidence: Evidence, checks: Sequence[Correcting], at_um: Fraction, terms: Budgeted | None) -> str | None:
    """Return the standard that the uncertainty rests on, with its certificate: two shops may use one serial."""
    if not checks or terms is None:
        return None
    serial = checks[0].nearest(at_um).standard_id
    if serial is None:
        return None
    known = next((s for s in evidence.shop.standard if s.serial == serial), None)
    return f"standard {serial}" + (f" (certificate {known.certificate})" if known is not None else "")


def _standard_as_known(serial: str | None, mine: Party) -> str | None:
    """Return the standard that an option names, as the certificate calls it.

    Raises:
        BadInput: The certificate rests on no such standard.
    """
    if serial is None:
        return None
    known = dict.fromkeys(r.standard for r in mine.results.values() if r.standard is not None)
    for name in known:
        if name == f"standard {serial}" or name.startswith(f"standard {serial} ("):
            return name
    raise BadInput(
        f"--same-standard {serial}: {mine.name} rests on {listed(list(known), 6) or 'no standard that is known'} at the "
        "locations compared"
    )


def _limit_um(limit: Decimal | None, unit: Unit) -> Fraction | None:
    return None if limit is None else Fraction(to_um(limit, unit))


def _um(build: Fraction, unit: Unit) -> Fraction:
    return build if unit is Unit.UM else build * Fraction(to_um(Decimal(1), unit))
