"""Before measuring: how many pieces of a lot, which ones, what the plan can tell, and whether the window is realistic."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final

from archive.draws import DrawRecord
from rules.lot_judgement import Characteristic, LotStatement, LotTerms, state_plan
from rules.lot_tables import Severity
from rules.lots import Drawn, Standing
from rules.window import window_warnings
from rules.wording import counted, listed
from schemas.errors import BadInput
from schemas.job import Job, Sampling
from schemas.vocabulary import Scheme

_BAR: Final = 40
_EVERY_PIECE: Final = Sampling(scheme=Scheme.EVERY_PIECE)


@dataclass(frozen=True, slots=True)
class LotPlan:
    """What is to be measured of a lot.

    Attributes:
        job_name: The job.
        lot: The lot; None where only the plan was asked for.
        lot_size: Its pieces.
        severity: How severely it is inspected.
        stopped: Acceptance is stopped.
        statement: The plan.
        readings: Readings that one piece asks for.
        drawn: The pieces drawn; None where none were.
        unplanned: Whether the job names no sampling.
        warnings: What is unrealistic about the windows.
    """

    job_name: str
    lot: str | None
    lot_size: int
    severity: Severity
    stopped: bool
    statement: LotStatement
    readings: int
    drawn: Drawn | None
    unplanned: bool
    warnings: tuple[str, ...]


def plan_lot(
    job_name: str,
    job: Job,
    lot: str | None,
    lot_size: int,
    state: Standing | None,
    spreads: Mapping[str, tuple[Decimal, int]],
    seed: str | None,
) -> LotPlan:
    """Return the plan for a lot of *job*, with its pieces drawn where a *seed* is given.

    Raises:
        BadInput: There is no plan for such a lot.
    """
    sampling = job.sampling or _EVERY_PIECE
    severity, stopped = Severity.NORMAL, False
    changes: tuple[str, ...] = ()
    if state is not None:
        severity, stopped, changes = state.severity, state.stopped, state.changes
    try:
        n = state_plan(sampling, LotTerms(lot_size, severity, stopped, changes)).n
        drawn = None if seed is None else Drawn(seed, lot_size, n)
        statement = state_plan(sampling, LotTerms(lot_size, severity, stopped, changes, drawn))
    except ValueError as without:
        raise BadInput(f"job {job_name!r}: {without}") from None
    return LotPlan(
        job_name=job_name,
        lot=lot,
        lot_size=lot_size,
        severity=severity,
        stopped=stopped,
        statement=statement,
        readings=sum(place.planned for place in job.location),
        drawn=drawn,
        unplanned=job.sampling is None,
        warnings=tuple(window_warnings(job, spreads)),
    )


def draw_record(plan: LotPlan, drawn_at: str, why: str | None) -> DrawRecord:
    """Return the draw of *plan* as it is written down."""
    assert plan.drawn is not None and plan.lot is not None  # noqa: S101, PT018 - the caller has drawn
    return DrawRecord(
        job=plan.job_name,
        lot=plan.lot,
        lot_size=plan.lot_size,
        n=plan.drawn.n,
        seed=plan.drawn.seed,
        pieces=plan.drawn.pieces,
        severity=plan.severity.value,
        plan=plan.statement.text,
        drawn_at=drawn_at,
        why=why,
    )


def plan_lines(plan: LotPlan, measure: str | None) -> list[str]:
    """Return the plan as it is read before measuring; *measure* is the command to go on with."""
    of = (
        f"lot {plan.lot} of {counted(plan.lot_size, 'piece')}"
        if plan.lot
        else f"a lot of {counted(plan.lot_size, 'piece')}"
    )
    n = plan.statement.n
    how_many = f"measure every piece ({n})" if n == plan.lot_size else f"measure {counted(n, 'piece')}"
    if plan.unplanned:
        how_many = "no sampling is named"
    lines = [f"job {plan.job_name}, {of}: {how_many.upper()}"]
    each = f"{counted(plan.readings, 'reading')} a piece, {n * plan.readings} in all"
    if plan.unplanned:
        lines += [
            "",
            f"Every piece measured is {each}. Of fewer, the certificate speaks of the pieces measured alone; to judge a lot "
            "by a sample, put a [sampling] table into the job.",
        ]
        return [*lines, *_warnings(plan), *_go_on(measure)]
    lines += [each, "", plan.statement.text]
    lines.append(f"from: {plan.statement.source}")
    lines.append(f"how well known: {plan.statement.known}")
    if plan.statement.series:
        lines.append(plan.statement.series)
    if plan.stopped:
        lines.append(
            "ACCEPTANCE IS STOPPED: five lots were not accepted on tightened inspection. Put the cause right, agree with "
            "the customer, and say resumed_on in the job's [sampling]; until then no lot is accepted."
        )
    if plan.drawn is not None and n < plan.lot_size:
        lines += [
            "",
            f"drawn at random: pieces {listed([str(p) for p in plan.drawn.pieces], 200)}",
            f"number the pieces from 1 to {plan.lot_size} in the order they lie, before looking at them; "
            f"seed {plan.drawn.seed}",
        ]
    if plan.statement.characteristic is not None:
        lines += ["", "what the plan can tell:", *curve_lines(plan.statement.characteristic), plan.statement.risk]
    else:
        lines += ["", plan.statement.risk]
    return [*lines, *_warnings(plan), *_go_on(measure)]


def _warnings(plan: LotPlan) -> list[str]:
    return [line for warning in plan.warnings for line in ("", f"warning: {warning}")]


def _go_on(measure: str | None) -> list[str]:
    return [] if measure is None else ["", f"go on with: {measure}"]


def curve_lines(found: Characteristic) -> list[str]:
    """Return the operating characteristic as numbers with bars: share nonconforming, share of such lots accepted."""
    lines = ["  nonconforming   lots accepted"]
    for share, accepted in found.points:
        bar = "█" * round(float(accepted) * _BAR)
        lines.append(f"  {float(share) * 100:>10.1f} %   {_percent(accepted):>7} %  {bar}".rstrip())
    return lines


def _percent(accepted: Fraction) -> str:
    """Return a probability in percent; what is nearly sure or nearly impossible is never printed as such."""
    written = f"{float(accepted) * 100:.1f}"
    if written == "100.0" and accepted < 1:
        return "> 99.9"
    return "< 0.1" if written == "0.0" and accepted > 0 else written


def plan_json(plan: LotPlan) -> dict[str, Any]:
    """Return the plan as plain JSON; probabilities and shares are numbers from 0 to 1."""
    statement, found = plan.statement, plan.statement.characteristic
    return {
        "job": plan.job_name,
        "lot": plan.lot,
        "lot_size": plan.lot_size,
        "scheme": statement.scheme.value,
        "severity": plan.severity.value,
        "stopped": plan.stopped,
        "pieces_to_measure": statement.n,
        "readings_per_piece": plan.readings,
        "plan": statement.text,
        "source": statement.source,
        "known": statement.known,
        "series": statement.series,
        "seed": None if plan.drawn is None else plan.drawn.seed,
        "pieces": None if plan.drawn is None else list(plan.drawn.pieces),
        "curve": None if found is None else [[_number(share), _number(accepted)] for share, accepted in found.points],
        "producers_risk": None if found is None else _number(found.producers_risk),
        "consumers_quality": None if found is None else _number(found.consumers_quality),
        "consumers_pieces": None if found is None else found.consumers_pieces,
        "warnings": list(plan.warnings),
    }


def _number(exact: Fraction | Decimal | None) -> float | None:
    return None if exact is None else float(exact)
