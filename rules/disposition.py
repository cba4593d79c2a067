"""First advice on what to do with the pieces measured: never a decision, never a recipe.

The order of the questions is the trade's (a decision table read in a trade handbook in part, else common
practice, no source): is the gauge in order and everything measured; is the part safety-critical; is it
too thin, too thick, or both; does what has to fit still fit; how many coats are on it; would a second coat
fit in between the limits. What can be done is ranked, the mildest that is possible first, and what cannot be
done is named with why. What no reading shows (adhesion, contamination, cure, colour) is asked.
The figures that are nobody's standard stand at the top of this module, each marked as such.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from typing import Final

from rules.cautions import cautions, stop_classes, strip_cautions
from rules.fits import FitResult, fit_results
from rules.places import LOW_READINGS_CHECK, PieceLocation, where
from rules.recoat import AddedBuild, RecoatTest, recoat_test
from rules.results import Action, Advice, Caution, Coverage, GateState
from rules.sentence import joined, said, template
from rules.verdict import Finding, Verdict
from rules.wording import amount, as_written, counted, listed, with_unit
from schemas.job import Job, Location
from schemas.units import Unit, from_um, to_um
from schemas.vocabulary import Appearance, DecisionRule, Role

#: Coats after which a shop strips instead, where the job does not say (common practice, no source).
USUAL_MAX_COATS: Final = 2
#: A chrome-look part under a clear coat with this much on it, in mil, is a case for stripping: 15 to 20
#: mil are (common practice, no source), so the advice begins at the lower figure.
CHROME_LOOK_STRIP_MIL: Final = Decimal(15)
#: A single decorative coat is aimed at 3 to 4 mil and passed at 2 to 5 (common practice, no source).
DECORATIVE_COAT_NOTE: Final = said(
    "A single decorative coat is commonly aimed at 3 to 4 mil and passed at 2 to 5 (common practice, no source); "
    "the order and the data sheet govern."
)
SCUFF_NOTE: Final = said(
    "How to scuff is the data sheet's to say, and sources disagree about the grit: a trade magazine names coarse paper "
    "finished fine (read), many shops stay between 180 and 400 (common practice, no source); try it on one piece first. "
    "Deep scratches show through the next coat (read)."
)
REMEASURE_NOTE: Final = said(
    "Measure every location again after scuffing and after the second coat; scuffing takes film off."
)
#: What a second coat does to the look; a trial comes first in each (common practice, no source, unless it says read).
APPEARANCE_QUESTIONS: Final[dict[Appearance, str]] = {
    Appearance.HIGH_GLOSS: said(
        "High gloss: what does a trial piece show? Sanding marks and orange peel stand out in it "
        "(common practice, no source; that deep scratches show through: read)."
    ),
    Appearance.METALLIC: said(
        "Metallic: what does a trial piece show? Shade and flake of a second coat can differ from the "
        "pieces beside it (common practice, no source)."
    ),
    Appearance.TEXTURE: said(
        "Texture: what does a trial piece show? A second coat changes the texture (common practice, no source)."
    ),
    Appearance.CHROME_LOOK: said(
        "Chrome-look: what does a trial piece show? A second coat shows, and how base and clear are "
        "cured together is the data sheet's to say (read, in a coatings consultancy's column)."
    ),
}
_PIECES_SPELLED: Final = 6


class _Miss(Enum):
    """Which way a piece misses, and where."""

    THIN = "thin"
    THICK = "thick"
    FIT_OVER = "fit over"


@dataclass(frozen=True, slots=True)
class _Option:
    """What can be done with one piece. Options of a piece stand in their order of mildness."""

    action: Action
    piece: str
    reasons: tuple[str, ...]
    test: str = ""
    ask: tuple[str, ...] = ()
    ruled_out: tuple[str, ...] = ()
    rank: int = 1


@dataclass(frozen=True, slots=True)
class _Case:
    """One piece that misses, with all that its options are found from."""

    job: Job
    piece: str
    places: tuple[PieceLocation, ...]
    missed: tuple[Finding, ...]
    fits: tuple[FitResult, ...]
    coats: int
    added: AddedBuild | None
    guards: Mapping[str, Fraction] | None

    @property
    def reasons(self) -> tuple[str, ...]:
        return tuple(f.sentence for f in self.missed)

    @property
    def over_where_it_fits(self) -> tuple[str, ...]:
        """Return the locations where something has to fit and the film is over its limit."""
        over = (f.location for f in self.missed if not f.by_guard_band and _miss(f, self.places) is _Miss.FIT_OVER)
        return tuple(dict.fromkeys(name for name in over if name is not None))

    @property
    def shown_to_fit(self) -> bool:
        """Return whether the job says how much film fits wherever it matters here, and no film is more than that."""
        return not self.binding and {f.location for f in self.fits}.issuperset(self.over_where_it_fits)

    @property
    def binding(self) -> tuple[FitResult, ...]:
        """Return the features that the film does not leave room for."""
        return tuple(f for f in self.fits if not f.fits)


def advise(
    job: Job,
    places: Sequence[PieceLocation],
    findings: Sequence[Finding],
    coverage: Coverage,
    *,
    conformity: Verdict,
    coats: int,
    bakes: int,
    added: AddedBuild | None = None,
    guards: Mapping[str, Fraction] | None = None,
) -> tuple[Advice, ...]:
    """Return the first advice, at least one, by rank: what is asked or done first stands first.

    Args:
        job: The job, with its recoat data, fits, safety class and look.
        places: The judged builds by location and piece.
        findings: All findings of the rule, those about the lot included.
        coverage: What the gate says; anything but covered leads to measuring again and nothing else.
        conformity: What the findings show.
        coats: Coats on the parts, the last one included.
        bakes: Bakes of the parts, the last one included.
        added: What a recoat added in the shop's own history; where given, it takes the place of the job's figures.
        guards: The guard by location that the job's decision rule asks for, in the unit of the job.

    A safety-critical part that misses gets "stop and ask" alone, whatever the gate says: nothing may be
    tried on it in the meantime. Where several things can be done, each is an advice of its own, ranked for the
    pieces that it names.
    """
    stops = _stop_reasons(job)
    covered = coverage.state is GateState.COVERED
    if conformity is Verdict.FAIL and stops:
        return (_stop(stops, findings, None if covered else coverage),)
    if not covered or conformity is Verdict.UNDECIDED:
        return (_measure_again(findings, coverage),)
    if conformity is Verdict.PASS:
        return (_accept(fit_results(places, job.unit), bool(stops)),)
    failed: dict[str | None, list[Finding]] = {}
    for finding in findings:
        if finding.verdict is Verdict.FAIL:
            failed.setdefault(finding.piece, []).append(finding)
    by_piece: dict[str, list[PieceLocation]] = {}
    for place in places:
        by_piece.setdefault(place.piece, []).append(place)
    options: list[_Option] = []
    for piece, here in by_piece.items():
        missed, films = tuple(failed.get(piece, ())), fit_results(here, job.unit)
        options.extend(_ranked(_Case(job, piece, tuple(here), missed, films, coats, added, guards)))
    lot = failed.get(None, [])
    advice = [*([_lot(lot)] if lot or not options else []), *_merged(job, options, coats, bakes)]
    return tuple(sorted(advice, key=lambda a: a.rank))


# What stands alone


def _stop_reasons(job: Job) -> tuple[str, ...]:
    reasons: list[str] = []
    if job.safety_class is not None:
        reasons.append(
            said(
                "The part is safety-critical ({safety_class}): heat, acid and blasting can destroy it unseen.",
                safety_class=job.safety_class,
            )
        )
    reasons.extend(stop.as_reason() for stop in stop_classes(job.title, job.substrate, job.specification))
    return tuple(reasons)


def _stop(reasons: Sequence[str], findings: Sequence[Finding], uncovered: Coverage | None) -> Advice:
    ask = [
        said("Is the written approval of the part's owner for any rework on file?"),
        said("Alloy, temper and heat treatment of the part, from its maker?"),
        said("What does the maker of the part allow: a further bake, stripping, blasting, none of them?"),
    ]
    if uncovered is not None:
        ask.insert(0, said("The gauge first: {coverage}", coverage=uncovered.sentence))
    return Advice(
        Action.STOP,
        said("Do nothing to these pieces until the owner of the part has said in writing what may be done."),
        reasons=(*reasons, *_failures(findings)),
        ask_first=tuple(ask),
    )


def _measure_again(findings: Sequence[Finding], coverage: Coverage) -> Advice:
    reasons = [] if coverage.state is GateState.COVERED else [coverage.sentence]
    reasons.extend(_cut([f.sentence for f in findings if f.verdict is Verdict.UNDECIDED]))
    waits = coverage.state is GateState.OPEN and not any(f.verdict is Verdict.UNDECIDED for f in findings)
    return Advice(
        Action.REMEASURE,
        said("Nothing is decided yet: make the closing check; if it passes the readings stand, else measure again.")
        if waits
        else said("Nothing is decided yet: measure again before anything is done to the pieces."),
        reasons=tuple(reasons) or (said("There is nothing that a verdict could rest on."),),
    )


def _accept(fits: Sequence[FitResult], safety_critical: bool) -> Advice:
    """Return that the lot conforms; where a feature does not fit all the same, with that and what to ask."""
    binding = [f for f in fits if not f.fits]
    if not binding:
        return Advice(
            Action.ACCEPT,
            said("Everything asked for was measured with a covered gauge and conforms."),
            test=_FITS if fits else "",
        )
    owner = said("Has the part's owner said in writing what may be done? Until then nothing is done to the feature.")
    return Advice(
        Action.ACCEPT,
        said(
            "Everything asked for was measured with a covered gauge and conforms to its limits, "
            "but something may not fit: ask before it is shipped."
        ),
        reasons=tuple(_cut([f.sentence for f in binding])),
        ask_first=((owner,) if safety_critical else ()) + _FEATURE_QUESTIONS,
        test=_DOES_NOT_FIT,
    )


def _lot(findings: Sequence[Finding]) -> Advice:
    return Advice(
        Action.STOP,
        said("The lot: stop and ask before any piece of it is shipped or reworked; it does not conform as a whole."),
        reasons=tuple(_failures(findings)) or (said("The rule is not met, and no single piece misses its limits."),),
        ask_first=(
            said("Is every piece to be measured, and the lot sorted?"),
            said("Does the order let a lot be sorted and shown again?"),
            said("Who at the customer may grant a concession for the lot, in writing?"),
        ),
    )


# What can be done with one piece


def _ranked(case: _Case) -> Iterator[_Option]:
    """Yield the options of one piece by rank; the first carries what is ruled out."""
    options, ruled_out = _options(case)
    for rank, option in enumerate(options, start=1):
        yield replace(option, rank=rank, ruled_out=tuple(ruled_out) if rank == 1 else ())


def _options(case: _Case) -> tuple[list[_Option], list[str]]:
    """Return what can be done with one piece, in order of mildness, and what cannot, with why."""
    if not case.missed:
        within = said("piece {piece} is within its limits, but the drawing's dimension governs there", piece=case.piece)
        bound = tuple(f.sentence for f in case.binding)
        return ([_Option(Action.REWORK, case.piece, (*bound, within), _fit_test(case))] if bound else []), []
    misses = {_miss(f, case.places) for f in case.missed if not f.by_guard_band}
    if not misses:
        # Nothing is too thin or too thick: there is no film to add and none to take off.
        return [
            _Option(action, case.piece, case.reasons, _NOT_SHOWN) for action in (Action.REMEASURE, Action.CONCESSION)
        ], []
    if _Miss.THICK in misses:
        heavy = _chrome_heavy(case)
        if heavy is not None:
            return [_Option(Action.STRIP, case.piece, (*case.reasons, heavy), _STAYS_OVER)], [_ONLY_ADDS]
    if _Miss.THICK in misses:
        rest, ruled_out = _thick(case, _Miss.THIN in misses)
    elif _Miss.THIN in misses:
        rest, ruled_out = _thin(case)
    else:
        rest, ruled_out = _fit_alone(case)
    rework = [_rework(case)] if _Miss.FIT_OVER in misses or case.binding else []
    if case.shown_to_fit:
        mild = [o for o in rest if o.action is Action.CONCESSION]
        return [*mild, *rework, *(o for o in rest if o.action is not Action.CONCESSION)], ruled_out
    # What may not fit is seen to first: no favour asked for the rest of the piece makes it fit.
    return [*rework, *rest], ruled_out


def _thick(case: _Case, thin_too: bool) -> tuple[list[_Option], list[str]]:
    reasons = (
        (*case.reasons, said("A second coat only adds: what is over its limit stays over."))
        if thin_too
        else case.reasons
    )
    return [
        _Option(Action.CONCESSION, case.piece, (*reasons, *_relaxed(case)), _STAYS_OVER),
        _Option(Action.STRIP, case.piece, reasons, _STAYS_OVER),
    ], [_ONLY_ADDS]


def _fit_alone(case: _Case) -> tuple[list[_Option], list[str]]:
    test = _fit_test(case)
    strip = _Option(Action.STRIP, case.piece, case.reasons, test)
    if case.shown_to_fit:
        return [_Option(Action.CONCESSION, case.piece, case.reasons, test), strip], [_ONLY_ADDS]
    refused = [said("ask for a concession: {why}", why=f.sentence) for f in case.binding]
    return [strip], [*refused, _ONLY_ADDS]


def _thin(case: _Case) -> tuple[list[_Option], list[str]]:
    most, whose = _most_coats(case.job)
    full = case.coats >= most
    test = RecoatTest(False, ()) if full else _tested(case)
    tested = (
        said(
            "Recoat test: not made; {coats} of at most {most} ({whose}) on the part.",
            coats=counted(case.coats, "coat"),
            most=most,
            whose=whose,
        )
        if full
        else test.sentence
    )
    relaxed = _relaxed(case)
    options = []
    if relaxed or test.feasible is False:
        options.append(_Option(Action.CONCESSION, case.piece, (*case.reasons, *relaxed), tested, (_THIN_PLACE,)))
    if relaxed and _alone(case):
        options.append(_Option(Action.TOUCH_UP, case.piece, (*case.reasons, *relaxed), tested))
    if test.feasible is None:
        open_yet = said("Whether a second coat fits cannot be told from what is known.")
        told = (*case.reasons, *test.reasons, open_yet)
        return [*options, _Option(Action.STOP, case.piece, told, tested, test.missing)], []
    if test.feasible:
        alone = () if relaxed or not _alone(case) else (_thin_alone(case),)
        ask = (*alone, *_guard_not_counted(case))
        options.append(_Option(Action.RECOAT, case.piece, (*case.reasons, *test.reasons), tested, ask))
    options.append(_Option(Action.STRIP, case.piece, case.reasons, tested))
    if test.feasible:
        return options, []
    if not full:
        sums = joined(_cut(test.reasons[: test.broken]), "; ")
        return options, [said("scuff and recoat: {why}", why=sums)]
    words = _ONE_COAT_ON if case.coats == 1 else _COATS_ON
    return options, [words(n=case.coats, most=most, whose=whose)]


_ONE_COAT_ON: Final = template(
    "scuff and recoat: {n} coat of at most {most} ({whose}) is on: no further one goes on top"
)
_COATS_ON: Final = template(
    "scuff and recoat: {n} coats of at most {most} ({whose}) are on: no further one goes on top"
)


def _tested(case: _Case) -> RecoatTest:
    return recoat_test(case.places, case.job.recoat, case.job.unit, added=case.added, guards=case.guards)


def _guard_not_counted(case: _Case) -> tuple[str, ...]:
    """Return what to ask where the decision rule has a guard band that is not known for every place."""
    known = case.guards or {}
    if case.job.decision.rule is DecisionRule.SIMPLE or all(p.location.name in known for p in case.places if p.builds):
        return ()
    return (
        said(
            "Would a second coat still fit with the guard band? It is not known for every place, and the sums count none there."
        ),
    )


def _most_coats(job: Job) -> tuple[int, str]:
    if job.recoat is None:
        return USUAL_MAX_COATS, said("common practice, no source")
    return job.recoat.max_coats, said("the job's max_coats")


def _rework(case: _Case) -> _Option:
    over = tuple(f.sentence for f in case.missed if not f.by_guard_band and _miss(f, case.places) is _Miss.FIT_OVER)
    here = tuple(f.sentence for f in case.fits if not f.fits or f.location in case.over_where_it_fits)
    return _Option(Action.REWORK, case.piece, (*over, *here), _fit_test(case))


def _miss(finding: Finding, places: Iterable[PieceLocation]) -> _Miss:
    if finding.check == LOW_READINGS_CHECK:
        return _Miss.THIN
    # By the side that the limit lies on where that is known: with a guard band a miss can lie within the limit.
    thin = finding.low
    if thin is None and finding.found is not None and finding.limit is not None:
        thin = finding.found < Fraction(finding.limit)
    if thin:
        return _Miss.THIN
    location = next((p.location for p in places if p.location.name == finding.location), None)
    return _Miss.FIT_OVER if location is not None and _has_to_fit(location) else _Miss.THICK


def _has_to_fit(location: Location) -> bool:
    return location.fit is not None or location.role in (Role.FIT, Role.MASKED)


def _thin_locations(case: _Case) -> list[Location | None]:
    """Return where the piece is too thin; None stands for the piece as a whole."""
    names = dict.fromkeys(
        f.location for f in case.missed if not f.by_guard_band and _miss(f, case.places) is _Miss.THIN
    )
    by_name = {p.location.name: p.location for p in case.places}
    return [by_name.get(name) if name is not None else None for name in names]


def _relaxed(case: _Case) -> tuple[str, ...]:
    """Return why the piece need not look right where it misses; empty where it has to."""
    if case.job.appearance is Appearance.NOT_SEEN:
        return (said("The surface is not seen (job: appearance): a concession is asked for first."),)
    where_missed = [next((p.location for p in case.places if p.location.name == f.location), None) for f in case.missed]
    if where_missed and all(location is not None and location.role is Role.HIDDEN for location in where_missed):
        return (said("It misses at hidden places alone (job: role): a concession is asked for first."),)
    return ()


def _alone(case: _Case) -> bool:
    thin = _thin_locations(case)
    return len(thin) == 1 and thin[0] is not None and len(case.places) > 1


def _thin_alone(case: _Case) -> str:
    (only,) = (location.name for location in _thin_locations(case) if location is not None)
    return said(
        "Piece {piece} is too thin at {location} alone: is that a surface that counts? If not, a concession or a touch-up "
        "that the customer approves may do (read in part, a trade handbook).",
        piece=case.piece,
        location=only,
    )


def _chrome_heavy(case: _Case) -> str | None:
    job = case.job
    if not job.looks_like_chrome:
        return None
    bound = from_um(to_um(CHROME_LOOK_STRIP_MIL, Unit.MIL), job.unit)
    heaviest = max((p for p in case.places if p.builds), key=lambda p: max(p.builds), default=None)
    if heaviest is None or max(heaviest.builds) < bound:
        return None
    return said(
        "{place}: {build} on a chrome-look part with a clear coat; from {from_mil} to 20 mil that is a case for stripping "
        "(common practice, no source).",
        place=where(heaviest),
        build=with_unit(amount(max(heaviest.builds), job.unit, bound), job.unit),
        from_mil=as_written(CHROME_LOOK_STRIP_MIL),
    )


def _fit_test(case: _Case) -> str:
    if case.binding:
        return _DOES_NOT_FIT
    return _FITS if case.shown_to_fit else _FIT_NOT_TOLD


# What each action says and asks

_ONLY_ADDS: Final = said("scuff and recoat: a second coat only adds, and what is over its limit stays over")
_STAYS_OVER: Final = said("Recoat test: does not fit; what is over its limit stays over.")
_FITS: Final = said("Fit test: fits.")
_DOES_NOT_FIT: Final = said("Fit test: does not fit.")
_FIT_NOT_TOLD: Final = said("Fit test: cannot be told; the job does not say how much film fits there (location: fit).")
_NOT_SHOWN: Final = said("Every number lies within its limit, and one in the guard band: it is not shown to conform.")
_SENTENCES: Final = {
    Action.REMEASURE: said("Take more readings there, or with a gauge of less uncertainty: both make U smaller."),
    Action.CONCESSION: said(
        "Ask the customer for a concession, if nothing binds, it looks right and the limit is no functional one."
    ),
    Action.TOUCH_UP: said("Touch up where it is too thin, if the customer approves that."),
    Action.REWORK: said(
        "Rework the feature that is over its limit or does not fit, as its drawing allows; the dimension governs there."
    ),
    Action.RECOAT: said("Scuff and recoat the whole piece: by the sums below a second coat fits."),
    Action.STRIP: said("Strip and redo."),
    Action.STOP: said("Stop and ask before a second coat goes on."),
}
_FEATURE_QUESTIONS: Final = (
    said("What does the drawing say of this feature, before or after coating?"),
    said("May it be chased, reamed or cleared, and does bare metal matter there?"),
    said("Was it masked, and why did the mask not hold?"),
)
_CAUSE: Final = said(
    "Is the cause found and put right? A coat over bad adhesion, contamination or wrong pretreatment is stripped, never "
    "recoated (read, a trade handbook)."
)
_CURE: Final = said(
    "Is the cure shown to be right? Where it alone is short, the part is baked again as its data sheet says, and neither "
    "recoated nor stripped (read, a trade handbook)."
)
_COLOUR: Final = said(
    "Is it the right powder and colour? If not, does another one hold on it, and does the total still fit?"
)
_THIN_PLACE: Final = said("What has the thin place to do: hide the metal, keep rust off, count for the look?")
_ORDER: Final = (
    Action.REMEASURE,
    Action.REWORK,
    Action.CONCESSION,
    Action.TOUCH_UP,
    Action.RECOAT,
    Action.STOP,
    Action.STRIP,
)


def _merged(job: Job, options: Sequence[_Option], coats: int, bakes: int) -> Iterator[Advice]:
    """Join what can be done with several pieces: one advice for what comes first with them, one for what comes later."""
    history = (
        said(
            "The parts carry {coats} and have been baked {times}.",
            coats=counted(coats, "coat"),
            times=counted(bakes, "time"),
        ),
        *((_chrome_note(),) if job.looks_like_chrome else ()),
        *((_BLASTED,) if job.blasted else ()),
    )
    for action in _ORDER:
        for first in (True, False):
            entries = [o for o in options if o.action is action and (o.rank == 1) is first]
            if not entries:
                continue
            pieces = [o.piece for o in entries]
            later = action is Action.STRIP and not first
            sentence = said("Strip and redo where the milder way is refused or fails.") if later else _SENTENCES[action]
            words = _PIECE if len(pieces) == 1 else _PIECES
            yield Advice(
                action,
                words(pieces=listed(pieces, _PIECES_SPELLED), advice=sentence),
                reasons=(*_cut(list(dict.fromkeys(reason for o in entries for reason in o.reasons))), *history),
                ask_first=tuple(
                    dict.fromkeys((*_cut([ask for o in entries for ask in o.ask]), *_ask_first(job, action, bakes)))
                ),
                cautions=_cautions(job, action),
                # After everything milder, for each of its pieces.
                rank=max(o.rank for o in entries),
                test=joined(dict.fromkeys(o.test for o in entries if o.test)),
                ruled_out=tuple(_cut(list(dict.fromkeys(why for o in entries for why in o.ruled_out)))),
                notes=_notes(action),
            )


_PIECE: Final = template("Piece {pieces}: {advice}")
_PIECES: Final = template("Pieces {pieces}: {advice}")
_BLASTED: Final = said(
    "The metal is blasted: builds are what was read less the base metal readings, and the peaks of the profile need "
    "cover (read, a trade magazine)."
)


def _chrome_note() -> str:
    return said("The part is chrome-look under a clear coat: its data sheet says whether it can be recoated at all.")


def _notes(action: Action) -> tuple[str, ...]:
    if action is Action.RECOAT:
        return (SCUFF_NOTE, REMEASURE_NOTE)
    return (DECORATIVE_COAT_NOTE,) if action is Action.STRIP else ()


_ONE_BAKE: Final = template("Do powder and alloy stand another bake after {n} bake ({sheet}; the part's maker)?")
_BAKES: Final = template("Do powder and alloy stand another bake after {n} bakes ({sheet}; the part's maker)?")


def _ask_first(job: Job, action: Action, bakes: int) -> tuple[str, ...]:
    named = None if job.recoat is None else job.recoat.data_sheet
    sheet = said("the product data sheet") if named is None else named
    bake = (_ONE_BAKE if bakes == 1 else _BAKES)(n=bakes, sheet=sheet)
    if action is Action.REMEASURE:
        return (said("Does the order let more readings be taken than were agreed, before these decide?"),)
    if action is Action.CONCESSION:
        return (
            said("Is the limit a functional one, or the look alone?"),
            said("Do fits, threads and earthing points still work?"),
            said("Who at the customer may grant it, in writing?"),
        )
    if action is Action.TOUCH_UP:
        return (
            said("Does the customer approve touch-up there, and with what?"),
            said("Does what is asked of the place (rust, weather, look) allow another paint than the powder?"),
            _CAUSE,
        )
    if action is Action.REWORK:
        return _FEATURE_QUESTIONS
    if action is Action.RECOAT:
        return _ask_before_recoat(job, sheet, bake)
    if action is Action.STOP:
        return (_CAUSE, _CURE, bake)
    return (
        said("Is the part on the stop list printed with the cautions, or anything like it?"),
        said("Alloy and temper of the part, and what it is joined with?"),
        said("What is in the old film: lead, chromate, PVC, fluoropolymer?"),
        said("Who strips: a licensed stripper, or trained people here under local permits?"),
        _CAUSE,
        _CURE,
        bake,
    )


_IS_MASKED: Final = template("Is {locations} masked again?")
_ARE_MASKED: Final = template("Are {locations} masked again?")


def _ask_before_recoat(job: Job, sheet: str, bake: str) -> tuple[str, ...]:
    masked = [place.name for place in job.location if _has_to_fit(place)]
    total_known = job.recoat is not None and job.recoat.sheet_max_total is not None
    return (
        said(
            "Does {sheet} allow a second coat of this powder on itself, and how does it want the first one scuffed?",
            sheet=sheet,
        ),
        *(
            ()
            if total_known
            else (said("What total film does {sheet} allow? (job: recoat.sheet_max_total)", sheet=sheet),)
        ),
        *_ask_about_the_look(job),
        _CAUSE,
        _CURE,
        _COLOUR,
        said("Does the customer have to agree to rework?"),
        bake,
        *(((_IS_MASKED if len(masked) == 1 else _ARE_MASKED)(locations=listed(masked)),) if masked else ()),
    )


def _ask_about_the_look(job: Job) -> tuple[str, ...]:
    look = Appearance.CHROME_LOOK if job.looks_like_chrome else job.appearance
    if look is None:
        return (
            said(
                "Is the surface high-gloss, metallic, textured or chrome-look? A second coat shows more in these "
                "(common practice, no source; job: appearance)."
            ),
        )
    return (APPEARANCE_QUESTIONS[look],) if look in APPEARANCE_QUESTIONS else ()


def _cautions(job: Job, action: Action) -> tuple[Caution, ...]:
    if action is Action.STRIP:
        return strip_cautions(job.substrate)
    if action is Action.TOUCH_UP:
        return (*cautions().touch_up, *cautions().scuffing[:1])
    return cautions().scuffing if action is Action.RECOAT else ()


def _failures(findings: Iterable[Finding]) -> list[str]:
    return _cut([f.sentence for f in findings if f.verdict is Verdict.FAIL])


def _cut(sentences: Sequence[str], most: int = 12) -> list[str]:
    """Return the sentences, and where there are many the first of them and how many more there are."""
    if len(sentences) <= most:
        return list(sentences)
    return [*sentences[: most - 1], said("and {n} more like these", n=len(sentences) - most + 1)]
