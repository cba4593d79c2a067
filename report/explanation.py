"""An assessment as a colleague explains it: verdict first, then the numbers compared, then what to do. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Final

from report.assessing import Assessed
from report.evidence import flagged
from report.figures import VERDICT_WORDS, places_of, verdict_word
from report.page_facts import decision_text
from report.spread import spread_sentence
from report.terminal_text import fitted, wrapped
from report.view import advice_block, all_findings, build_row
from rules.film_build import is_judged
from rules.places import Limit
from rules.results import Action, Advice, Assessment, GateState, LocationResult
from rules.verdict import Finding, Verdict
from rules.window import window_warnings
from rules.wording import amount, as_written, counted, listed
from schemas.units import Unit

_MOST_PIECES: Final = 6
_MOST_SENTENCES: Final = 8
_HEAD: Final = ("location", "limits", "n", "mean", "least", "greatest", "s", "U", "verdict")
_NUMBERS: Final = (2, 3, 4, 5, 6, 7)
#: Left out first where the terminal is narrow: standard deviation, then the end that nothing misses at. Verdict and U stay.
_SPARE: Final = {True: (6, 4, 5), False: (6, 5, 4)}


def explanation_lines(case: Assessed, columns: int) -> list[str]:
    """Return an assessment as it is read at the bench, at most *columns* wide."""
    lines = [
        *_verdict(case),
        *_builds(case, columns),
        *_compared(case),
        *_notable(case),
        *_lot(case.assessment),
        *_to_do(case.assessment),
    ]
    return [line.replace("\u00a0", " ").rstrip() for line in wrapped(lines, columns)]


# Verdict


def _verdict(case: Assessed) -> Iterator[str]:
    inspection, assessment = case.evidence.inspection, case.assessment
    word = verdict_word(assessment.verdict, conditional=_conditional(assessment)).upper()
    yield f"lot {inspection.lot}, part {inspection.part_no}: {word}"
    yield f"inspection {inspection.inspection_id}, revision {inspection.revision}"
    yield ""
    if assessment.coverage.state is GateState.COVERED:
        yield _in_short(assessment)
        yield f"The gauge can be trusted: {_lower_first(assessment.coverage.sentence)}"
    else:
        yield f"The gauge decides first. {assessment.coverage.sentence}"
        yield f"By the readings alone the lot {_would(assessment.conformity)}. {_in_short(assessment)}"


def _conditional(assessment: Assessment) -> bool:
    return assessment.verdict is Verdict.PASS and any(place.conditional for place in assessment.locations)


def _would(conformity: Verdict) -> str:
    return {
        Verdict.PASS: "would conform",
        Verdict.UNDECIDED: "would be undecided too",
        Verdict.FAIL: "would not conform",
    }[conformity]


def _in_short(assessment: Assessment) -> str:
    """Return what it comes to in one or two sentences."""
    unit = assessment.unit
    failing = [place for place in assessment.locations if place.verdict is Verdict.FAIL]
    said = [_miss(place, unit) for place in failing]
    if assessment.set_apart:
        pieces = _pieces(assessment.set_apart)
        said.append(f"The plan accepts the lot all the same; {pieces} set apart and not part of it")
    if not failing and assessment.conformity is Verdict.FAIL:
        said += [_capital(f.sentence) for f in assessment.lot_findings if f.verdict is Verdict.FAIL][:2]
    if assessment.conformity is Verdict.UNDECIDED:
        open_ones = [f.sentence for f in all_findings(assessment) if f.verdict is Verdict.UNDECIDED]
        said += [_capital(sentence) for sentence in open_ones[:2]]
        if len(open_ones) > 2:
            said.append(f"And {len(open_ones) - 2} more open points, below")
    if not said:
        said += [_capital(reason) for a in assessment.advice if a.action is Action.ACCEPT for reason in a.reasons]
    if not said:
        near = _nearest(assessment)
        said.append("Every location is within its limits" + (f"; nearest to one is {near}" if near else ""))
    return " ".join(f"{sentence.rstrip('.')}." for sentence in said)


def _miss(place: LocationResult, unit: Unit) -> str:
    """Return how a location misses: which way, on which pieces, and the worst number with its limit."""
    missed = [f for f in place.findings if f.verdict is Verdict.FAIL]
    measured = [f for f in missed if f.low is not None and f.found is not None and f.limit is not None]
    pieces = list(dict.fromkeys(f.piece for f in missed if f.piece is not None))
    where = f" on {_on(pieces)}" if pieces else ""
    if not measured:
        return f"{_capital(place.location)} does not conform{where}: {missed[0].check}"
    worst = max(measured, key=_beyond)
    if all(f.by_guard_band for f in measured):
        return (
            f"{_capital(place.location)} is not shown to conform{where}: {worst.check} "
            f"{amount(_found(worst), unit, Fraction(_limit(worst)))} {unit.symbol} lies within {_against(worst)} "
            f"{as_written(_limit(worst))} {unit.symbol}, and in its guard band"
        )
    measured = [f for f in measured if not f.by_guard_band]
    worst = max(measured, key=_beyond)
    on = f" on piece {worst.piece}" if worst.piece is not None and len(pieces) > 1 else ""
    way = " and ".join(
        dict.fromkeys("too thin" if f.low else "too thick" for f in sorted(measured, key=_beyond, reverse=True))
    )
    return (
        f"{_capital(place.location)} is {way}{where}: {worst.check} "
        f"{amount(_found(worst), unit, Fraction(_limit(worst)))} {unit.symbol}{on} against {_against(worst)} "
        f"{as_written(_limit(worst))} {unit.symbol}"
    )


def _nearest(assessment: Assessment) -> str:
    """Return the number that lies nearest to its limit, of those that were compared, in words."""
    unit = assessment.unit
    measured = [
        f
        for place in assessment.locations
        for f in place.findings
        if f.low is not None and f.found is not None and f.limit is not None
    ]
    if not measured:
        return ""
    near = max(measured, key=_beyond)
    if _beyond(near) > 0:  # accepted by the rounding method alone
        return f"{near.location or 'the part'}, whose {near.check} meets its limit only once it is rounded"
    room = abs(_found(near) - Fraction(_limit(near)))
    return (
        f"{near.location or 'the part'} with its {near.check} {amount(_found(near), unit, Fraction(_limit(near)))} {unit.symbol}, "
        f"{amount(room, unit)} {unit.symbol} inside {_against(near)} {as_written(_limit(near))} {unit.symbol}"
    )


def _beyond(finding: Finding) -> Fraction:
    """Return by how much a number lies outside its limit; below zero: inside."""
    difference = _found(finding) - Fraction(_limit(finding))
    return -difference if finding.low else difference


def _found(finding: Finding) -> Fraction:
    assert finding.found is not None  # noqa: S101 - callers look before
    return finding.found


def _limit(finding: Finding) -> Limit:
    assert finding.limit is not None  # noqa: S101 - callers look before
    return finding.limit


def _against(finding: Finding) -> str:
    """Return what a number was compared with: a limit as the job states it, or one that the rule derives from it."""
    if isinstance(finding.limit, Fraction):
        return "the rule's own limit"
    return f"the {'lower' if finding.low else 'upper'} limit"


# Builds, and what was compared


def _builds(case: Assessed, columns: int) -> list[str]:
    assessment = case.assessment
    places = places_of((r for r in case.evidence.readings if is_judged(r)), assessment.unit)
    rows = [build_row(place, places, assessment.unit) for place in assessment.locations]
    cells = [
        (r.location, r.limits, r.count, r.mean, r.least, r.greatest, r.deviation, r.expanded, r.verdict) for r in rows
    ]
    lines = fitted([_HEAD, *cells], columns, right=_NUMBERS, spare=_SPARE[_too_thick(assessment)])
    covers = (case.evidence.job.decision.coverage * 100).normalize()
    return ["", f"film build in {assessment.unit.symbol} (U: of the mean, covers {covers:f} %)", *lines]


def _too_thick(assessment: Assessment) -> bool:
    failing = [f for f in all_findings(assessment) if f.verdict is Verdict.FAIL and f.low is not None]
    return any(not f.low for f in failing)


def _compared(case: Assessed) -> Iterator[str]:
    assessment = case.assessment
    yield ""
    yield f"By the rule: {assessment.rule.title}. {assessment.rule.text}"
    yield f"Decision: {decision_text(case.evidence.job.decision)}"
    yield ""
    yield "what was compared"
    for place in assessment.locations:
        yield f"  {place.location}: {verdict_word(place.verdict, conditional=place.conditional)}"
        yield from (f"    - {sentence}" for sentence in _sentences(place.findings, place.location))
        if not place.findings:
            yield "    - nothing: no reading was judged here"
    about_lot = _sentences([*assessment.piece_findings, *assessment.lot_findings], None)
    if about_lot:
        about = "the lot" if assessment.lot is not None else "over the locations together"
        yield f"  {about}: {VERDICT_WORDS[assessment.conformity]}"
        yield from (f"    - {sentence}" for sentence in about_lot)


def _sentences(findings: Iterable[Finding], location: str | None) -> list[str]:
    """Return what was compared: every miss, and of what conforms alike on several pieces the one nearest to its limit."""
    missed: list[str] = []
    good: dict[tuple[str, Decimal | Fraction | None, bool | None], list[Finding]] = {}
    for finding in findings:
        if finding.verdict is Verdict.PASS and not finding.conditional:
            good.setdefault((finding.check, finding.limit, finding.low), []).append(finding)
        else:
            missed.append(_without_place(finding, location))
    lines = missed[:_MOST_SENTENCES]
    if len(missed) > _MOST_SENTENCES:
        lines.append(f"and {len(missed) - _MOST_SENTENCES} more like these; --json has them all")
    for alike in good.values():
        near = max(alike, key=_beyond) if alike[0].low is not None else alike[0]
        of = (
            f" (the nearest to it of {counted(len(alike), 'piece')})" if len(alike) > 1 and near.low is not None else ""
        )
        if len(alike) > 1 and near.low is None:
            more = counted(len(alike) - 1, "other place" if location is None else "other piece")
            of = f" (and alike {'at' if location is None else 'on'} {more})"
        lines.append(f"{_without_place(near, location)}{of}")
    return lines


def _without_place(finding: Finding, location: str | None) -> str:
    """Return a finding's sentence without the place that stands above it already; a single miss keeps its piece."""
    if location is None or finding.piece is None:
        return finding.sentence
    full = f"piece {finding.piece}, {location}: "
    if not finding.sentence.startswith(full):
        return finding.sentence
    return f"piece {finding.piece}: {finding.sentence.removeprefix(full)}"


# What else is worth knowing


def _notable(case: Assessed) -> Iterator[str]:
    assessment = case.assessment
    lines = [place.risk_sentence for place in assessment.locations if place.risk_sentence]
    lines += [flag.sentence for flag in flagged(case.evidence, assessment)]
    missing = {place.location for place in assessment.locations if place.verdict is Verdict.FAIL}
    # What the archive holds of this part is for --plan to say.
    windows = [w.split(" This is not the shop's own figure")[0] for w in window_warnings(case.evidence.job, {})]
    lines += [w.rstrip(".") for w in windows if w.split(":", 1)[0] in missing]
    if assessment.correction:
        lines.append(assessment.correction.rstrip("."))
    excluded = [r for r in case.evidence.readings if not r.counted and r.coat_stage == "total"]
    if excluded:
        reasons = [f"{r.reading_no} ({r.excluded_reason}, {r.excluded_by})" for r in excluded]
        lines.append(f"kept and not counted: {'reading' if len(excluded) == 1 else 'readings'} {listed(reasons, 8)}")
    spread = spread_sentence(case.evidence, assessment)
    if spread:
        lines.append(spread)
    if lines:
        yield ""
        yield "worth knowing"
        yield from (f"  - {line}" for line in lines)


def _lot(assessment: Assessment) -> Iterator[str]:
    if assessment.lot is None:
        return
    lot = assessment.lot
    yield ""
    yield "the plan of the lot"
    yield from (f"  {line}" for line in (lot.text, lot.series, lot.chosen, lot.risk) if line)
    yield f"  from: {lot.source} ({lot.known})"


# What to do


def _to_do(assessment: Assessment) -> Iterator[str]:
    said = {f.sentence for f in all_findings(assessment)} | {assessment.coverage.sentence}
    yield ""
    yield "what to do"
    several = len(assessment.advice) > 1
    for number, advice in enumerate(assessment.advice, start=1):
        head = f"{number}. " if several else ""
        block = advice_block(advice)
        yield f"  {head}{block.action.upper()}. {block.sentence}"
        indent = "     " if several else "  "
        if block.test:
            yield f"{indent}{block.test}"
        # The findings stand above; a reason that only says one of them again is left out.
        yield from (f"{indent}- because {_lower_first(r)}" for r in block.reasons if r not in said)
        yield from (f"{indent}- {_lower_first(note)}" for note in block.notes)
        if block.ask_first:
            yield f"{indent}ask first:"
            yield from (f"{indent}- {question}" for question in block.ask_first)
        yield from (f"{indent}ruled out: {why}" for why in _ruled_out(block.ruled_out, block.reasons))
    yield from _cautions(assessment.advice)


def _ruled_out(ruled_out: Sequence[str], reasons: Sequence[str]) -> list[str]:
    """Return what cannot be done, once each; a reason that stands above is not told again."""
    short = []
    for why in ruled_out:
        what, _, because = why.partition(": ")
        short.append(f"{what}, for the reasons above" if because in reasons else why)
    return list(dict.fromkeys(short))


def _cautions(advices: Sequence[Advice]) -> Iterator[str]:
    """Return every caution once, after all advice: they hold for whoever does any of it."""
    seen: set[str] = set()
    for advice in advices:
        fresh = [c for c in advice.cautions if c.text not in seen]
        if not fresh:
            continue
        yield ""
        yield f"cautions: {advice.action} (the product data sheet, local codes and licensed practice govern)"
        for caution in fresh:
            seen.add(caution.text)
            yield f"  - {caution.text} [{caution.authority}]"


# Words


def _on(pieces: Sequence[str]) -> str:
    return f"{'piece' if len(pieces) == 1 else 'pieces'} {listed(list(pieces), _MOST_PIECES)}"


def _pieces(pieces: Sequence[str]) -> str:
    return f"{_on(pieces)} {'is' if len(pieces) == 1 else 'are'}"


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _lower_first(sentence: str) -> str:
    word = sentence.split(" ", 1)[0]
    # "All 30 readings" begins a sentence; "ASTM" and "FB-19" are names.
    return sentence if len(word) > 1 and word[1:] != word[1:].lower() else sentence[:1].lower() + sentence[1:]
