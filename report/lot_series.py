"""Where a series of lots stands before one of them: its earlier lots, judged one after the other, out of the archive.

A series is the lots of one part for one customer that the same plan samples. Its order is that in which inspections
began. Severity is never stored with a lot: it follows from the lots before it, as they were first sealed, so that an
amendment does not undo what followed. A gauge that turns out wrong does: its lots are then undecided. A certificate keeps
the severity that it was judged with.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Final

from archive.store import Archive
from report.evidence import Evidence
from rules.lot_judgement import LotTerms, nonconforming_pieces
from rules.lot_tables import Severity
from rules.lots import LotOutcome, Standing, drawn_of, plan_for, standing
from rules.results import Assessment
from rules.sentence import Day, said, template
from rules.verdict import Verdict
from schemas.inspections import Inspection
from schemas.job import Job, Sampling
from schemas.vocabulary import Scheme

#: Judges one inspection with the given terms; report.assessing passes its own.
Judge = Callable[[Inspection, LotTerms], tuple[Evidence, Assessment]]


def lot_terms(inspection: Inspection, state: Standing | None = None, shown_before: tuple[str, ...] = ()) -> LotTerms:
    """Return what is known of the lot of *inspection*: its size, the sample drawn, how its series stands, and whether it
    was shown before."""
    drawn = drawn_of(note["what"] for note in json.loads(inspection.notes_json))
    if state is None:
        return LotTerms(inspection.lot_size, drawn=drawn, shown_before=shown_before)
    return LotTerms(inspection.lot_size, state.severity, state.stopped, state.changes, drawn, shown_before)


def shown_before(archive: Archive, inspection: Inspection, judge: Judge) -> tuple[str, ...]:
    """Return what earlier inspections of the same lot of the same part came to, a sentence each."""
    earlier = [
        i
        for i in archive.chosen(customer=inspection.customer, part_no=inspection.part_no, lot=inspection.lot)
        if i.inspection_id < inspection.inspection_id
    ]
    return tuple(
        _WORDS[judge(i, lot_terms(i))[1].verdict](lot=i.lot, inspection=i.inspection_id)
        for i in sorted(earlier, key=lambda i: i.inspection_id)
    )


_WORDS: Final = {
    Verdict.PASS: template("lot {lot} was inspected before as {inspection}, and it was accepted"),
    Verdict.UNDECIDED: template("lot {lot} was inspected before as {inspection}, and it was not decided"),
    Verdict.FAIL: template("lot {lot} was inspected before as {inspection}, and it was not accepted"),
}


def standing_before(archive: Archive, job: Job, customer: str, before: str | None, judge: Judge) -> Standing | None:
    """Return how the series of *job* stands before the inspection *before*, or after all of them where that is None.

    None where the job samples without a series: only sampling by attributes switches.
    """
    sampling = job.sampling
    if sampling is None or sampling.scheme is not Scheme.ATTRIBUTES:
        return None
    earlier = sorted(
        (
            i
            # As they were first sealed: a reading that is left out later does not undo what followed from it.
            for i in archive.chosen(part_no=job.part_no, customer=customer, all_revisions=True)
            if i.revision == 1
            and (before is None or i.inspection_id < before)
            and _same_plan(Job.from_json(i.job_json).sampling, sampling)
        ),
        key=lambda i: i.inspection_id,
    )
    outcomes: list[LotOutcome] = []
    now = standing(outcomes, reduced_wanted=sampling.reduced)
    for inspection in earlier:
        evidence, assessment = judge(inspection, lot_terms(inspection, now))
        seen = {outcome.lot for outcome in outcomes}
        outcomes.append(_outcome(inspection, evidence, assessment, now, resubmitted=inspection.lot in seen))
        now = standing(outcomes, reduced_wanted=sampling.reduced)
    return _resumed(now, sampling, before)


def _same_plan(one: Sampling | None, other: Sampling) -> bool:
    return one is not None and (one.scheme, one.level, one.aql) == (other.scheme, other.level, other.aql)


def _outcome(
    inspection: Inspection, evidence: Evidence, assessment: Assessment, now: Standing, *, resubmitted: bool
) -> LotOutcome:
    sampling = evidence.job.sampling
    accept = 0
    if sampling is not None and inspection.lot_size is not None:
        accept = plan_for(inspection.lot_size, sampling.scheme, sampling.level, sampling.aql, now.severity).accept
    corrected = _is_resumed(sampling, inspection.inspection_id)
    return LotOutcome(
        lot=inspection.lot,
        severity=Severity.TIGHTENED if now.stopped else now.severity,
        verdict=Verdict.UNDECIDED if now.stopped and not corrected else assessment.verdict,
        accept=accept,
        nonconforming=nonconforming_pieces(assessment.about_pieces),
        resubmitted=resubmitted or (now.stopped and not corrected),
        corrected=corrected,
    )


def _resumed(now: Standing, sampling: Sampling, before: str | None) -> Standing:
    """Return *now*, no longer stopped where the job says that inspection resumed by the day of *before*."""
    day = sampling.resumed_on
    if not now.stopped or day is None or not (before is None or _is_resumed(sampling, before)):
        return now
    change = said("resumed on tightened inspection on {day}, the cause being put right", day=Day(day))
    return Standing(Severity.TIGHTENED, False, None, 0, 0, False, (*now.changes, change))


def _is_resumed(sampling: Sampling | None, inspection_id: str | None) -> bool:
    """Return whether the inspection began on or after the day that inspection resumed; its id begins with its day."""
    if sampling is None or sampling.resumed_on is None or inspection_id is None:
        return False
    return inspection_id[:8] >= f"{sampling.resumed_on:%Y%m%d}"
