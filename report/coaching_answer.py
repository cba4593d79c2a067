"""What coaching says of a rack or a period, ready to be shown: on a screen, as JSON, on a page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final
from zoneinfo import ZoneInfo

from report.coaching_data import MOST_RACKS, MOST_READ, CoachingCase, MeasuredRack, pooled, worst_gate
from report.figures import day, moment
from report.terminal_text import fitted, wrapped
from rules.coaching import coach
from rules.coaching_findings import Coaching, LocationCoaching
from rules.coaching_intervals import Interval
from rules.coaching_powder import powder_of
from rules.coaching_words import counted_out_sentence, off_sentence
from rules.powder_use import Number, PowderAbove
from rules.results import GateState
from rules.rounding import shown
from rules.wording import amount, counted, listed
from schemas.units import Unit

#: What no answer of coaching says.
NOT_SAID: Final = "Codes of sprayers are only carried through; nobody is compared or ranked. Coaching decides nothing about conformity."
FEW: Final = "few: fewer than 25 readings, too few for an index"


@dataclass(frozen=True, slots=True)
class PowderInputs:
    """What the shop states for the powder above need; what is None was not stated."""

    area: Number | None = None
    specific_gravity: Number | None = None
    transfer: tuple[Number, Number] | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer of coaching.

    Attributes:
        case: What it was made from.
        found: What rules.coaching says of the rack.
        powder: Powder above need, on the rack or over the period.
        gate: What the gate says where that comes first; None where the gauge was verified, or its closing check is still to come.
        still_open: That the closing check is still to come, in words; None otherwise.
        period: The period in words; None for a rack.
        over_period: What all racks of the period come to, taken together; None for a rack.
    """

    case: CoachingCase
    found: Coaching
    powder: PowderAbove
    gate: str | None
    still_open: str | None
    period: str | None = None
    over_period: Coaching | None = None

    @property
    def holds(self) -> bool:
        """Return whether the gate lets the readings speak."""
        return self.gate is None


def answer_of(case: CoachingCase, inputs: PowderInputs, period: str | None = None) -> Answer:
    """Return what is said of *case*; *period* in words where it is one.

    Raises:
        ValueError: A figure of *inputs* is not above zero, or a share is none.
    """
    racks = [one.rack for one in case.earlier]
    found = coach(case.measured.rack, case.aims, racks, case.unit, case.gauge)
    over = None
    if period is not None:
        alike = set(found.alike)
        together = [*(one for one in case.earlier if one.rack.label in alike), case.measured]
        over = coach(pooled(together, period), case.aims, [], case.unit, case.gauge)
    powder = powder_of(
        over or found, specific_gravity=inputs.specific_gravity, area=inputs.area, transfer=inputs.transfer
    )
    coverage = worst_gate(case.gates)
    refused = coverage.state in (GateState.UNCOVERED, GateState.SUSPECT)
    return Answer(
        case,
        found,
        powder,
        f"The gauge comes first: its readings are {coverage.state.value}. {coverage.sentence}" if refused else None,
        coverage.sentence if coverage.state is GateState.OPEN else None,
        period,
        over,
    )


def rack_words(one: MeasuredRack, zone: ZoneInfo) -> str:
    """Return what a rack is called, its lot, and when it was measured."""
    name = "rack not named" if one.name is None else f"rack {one.name}"
    return f"{name}, lot {one.inspections[-1].lot}, {moment(one.taken[0], zone)}"


def said_first(answer: Answer) -> str:
    """Return the first line: the one change or that there is none, or that the gauge has to be seen to."""
    if answer.gate is not None:
        return f"{answer.gate} Until that is settled nothing is suggested."
    return answer.found.suggestion.sentence


def notes_of(answer: Answer) -> list[str]:
    """Return what was left out and what is not known, in sentences."""
    notes = list(answer.found.notes)
    if answer.gate is not None:
        notes = [note for note in notes if not note.startswith("What the gauge alone brings is not known")]
    if answer.still_open is not None:
        notes.append(f"The gauge's closing check is still to come: {answer.still_open}")
    if not answer.case.looked_through:
        notes.append(
            f"Only the newest earlier racks are looked at: {MOST_RACKS} at the most, from {MOST_READ} inspections of the part."
        )
    return [*notes, NOT_SAID]


def inside_target(one: LocationCoaching) -> bool:
    """Return whether the mean lies in its band, so that a little more than the middle of it is no fault."""
    return one.mean is not None and not one.off


def powder_lines(answer: Answer) -> list[str]:
    """Return the powder above need in sentences; a location inside its band is not made to look like a fault."""
    powder, found = answer.powder, answer.over_period or answer.found
    lines = list(powder.sentences)
    inside = [one.aim.location for one in found.locations if inside_target(one)]
    over = [
        film.location for film in powder.films if film.location in inside and film.above > Fraction(film.expanded or 0)
    ]
    if over:
        lines.append(
            f"{listed(over)}: the mean lies inside its band. Needed is reckoned as the middle of the band, so that this is powder "
            "that could be saved, and no fault of the spraying."
        )
    return lines


def powder_terms(answer: Answer) -> tuple[str, ...]:
    """Return what the powder above need rests on, and what would have to be known; nothing where there is none above need."""
    powder = answer.powder
    if powder.least == 0:
        return ()
    return powder.missing if powder.least is None else (*powder.assumptions, *powder.missing)


# on a screen


def coach_lines(answer: Answer, zone: ZoneInfo, columns: int) -> list[str]:
    """Return the answer as lines of a terminal, none longer than *columns*."""
    return wrapped(_lines(answer, zone, columns), columns)


def _lines(answer: Answer, zone: ZoneInfo, columns: int) -> Iterator[str]:
    found, case = answer.found, answer.case
    yield said_first(answer)
    if answer.holds:
        if found.suggestion.first is not None:
            yield f"  {found.suggestion.first}"
        for why in found.suggestion.evidence:
            yield f"  - {why}"
        for caution in found.suggestion.cautions:
            yield f"  {caution}"
    yield ""
    yield _about(answer, zone)
    rows: list[tuple[str, ...]] = [("location", "mean", "aim", "against it", "pieces outside", "n", "")]
    rows += [_row(one, answer) for one in found.locations]
    if len(rows) > 1:
        yield ""
        yield f"In {case.unit.symbol}; the mean is that of the pieces' means:"
        yield from fitted(rows, columns, right=(1, 5), spare=(6,))
        if any(one.few for one in found.locations):
            yield f"  {FEW}"
    for one in found.locations:
        yield ""
        yield f"{one.aim.location}"
        for sentence in sentences_of(one, said=found.suggestion.evidence if answer.holds else ()):
            yield f"  - {sentence}"
    if found.positions is not None:
        yield ""
        yield "Places on the rack"
        yield f"  - {found.positions.sentence}"
    if answer.over_period is not None:
        yield ""
        yield f"Over the period ({counted(len(found.alike) + 1, 'rack')}, all pieces together)"
        for one in answer.over_period.locations:
            for sentence in period_sentences(one, case.unit):
                yield f"  - {sentence}"
    yield ""
    yield "Powder above need"
    for sentence in powder_lines(answer):
        yield f"  - {sentence}"
    for sentence in powder_terms(answer):
        yield f"  - {sentence}"
    yield ""
    for note in notes_of(answer):
        yield f"{note}"


def _about(answer: Answer, zone: ZoneInfo) -> str:
    found, case = answer.found, answer.case
    like = (
        f"Compared with {counted(len(found.alike), 'earlier rack')} like it."
        if found.alike
        else "No earlier rack like it in the archive."
    )
    head = f"Period {answer.period}; newest: " if answer.period is not None else ""
    what = f"{head}{rack_words(case.measured, zone)}; part {found.part_no}"
    powder = "" if found.powder is None else f", powder {found.powder}"
    sprayer = "" if found.sprayer is None else f", sprayer {found.sprayer}"
    return f"{what}{powder}{sprayer}: {counted(found.n, 'reading')} on {counted(found.pieces, 'piece')}. {like}"


def _row(one: LocationCoaching, answer: Answer) -> tuple[str, ...]:
    unit = answer.case.unit
    if one.mean is None:
        return (one.aim.location, "–", aim_words(one), "too few readings", "–", str(one.n), "")
    return (
        one.aim.location,
        amount(one.mean.value, unit),
        aim_words(one),
        against(one, answer),
        outside(one),
        str(one.n),
        "few" if one.few else "",
    )


def aim_words(one: LocationCoaching) -> str:
    """Return what the mean of a location is to lie between."""
    low, high = one.aim.band
    ends = [f"{shown(end, 2).normalize():f}" for end in (low, high) if end is not None]
    return f"{'' if len(ends) == 2 else 'from ' if high is None else 'to '}{' to '.join(ends)}"


def against(one: LocationCoaching, answer: Answer) -> str:
    """Return in a few words how the mean lies against what is aimed at."""
    if not one.off:
        return "in the band"
    side = "below" if one.off < 0 else "above"
    sure = "" if one.off_firmly else ", not sure"
    return f"{amount(abs(one.off), answer.case.unit)} {side}{sure}"


def outside(one: LocationCoaching) -> str:
    """Return how many pieces have a reading outside the limits, with the interval of their share."""
    if one.out is None:
        return "–"
    low, high = (f"{shown(end * 100, 0):f}" for end in (one.out.low, one.out.high))
    return f"{one.out.pieces_out} of {one.out.pieces} ({low} to {high} %)"


def sentences_of(one: LocationCoaching, said: Sequence[str] = ()) -> list[str]:
    """Return the sentences about a location without its name before each; those that were *said* are left out."""
    head = f"{one.aim.location}: "
    cut = [sentence.removeprefix(head) for sentence in one.sentences if sentence not in said]
    return [f"{sentence[:1].upper()}{sentence[1:]}" if sentence[:2] != "s " else sentence for sentence in cut]


def period_sentences(one: LocationCoaching, unit: Unit) -> list[str]:
    """Return where a location lies over a period and how much of it was found outside; intervals of pooled racks are left out."""
    if not one.enough:
        return list(one.sentences)
    told = [off_sentence(one, unit, by_interval=False)]
    return told if one.out is None else [*told, counted_out_sentence(one.aim.location, one.out)]


# as JSON


def coach_json(answer: Answer) -> dict[str, Any]:
    """Return the answer as JSON has it; thicknesses as numbers in the unit that it names."""
    found, case = answer.found, answer.case
    suggestion = found.suggestion
    return {
        "inspections": [one.inspection_id for one in case.measured.inspections],
        "rack": case.measured.name,
        "lot": case.measured.inspections[-1].lot,
        "part_no": found.part_no,
        "powder": found.powder,
        "sprayer": found.sprayer,
        "period": answer.period,
        "unit": found.unit.value,
        "readings": found.n,
        "pieces": found.pieces,
        "earlier_racks": len(found.alike),
        "gauge": {"state": case.state.value, "sentence": worst_gate(case.gates).sentence},
        "suggestion": {
            "change": suggestion.change.name.lower() if answer.holds else None,
            "sentence": said_first(answer),
            "first": suggestion.first if answer.holds else None,
            "evidence": list(suggestion.evidence) if answer.holds else [],
            "known": suggestion.known,
            "cautions": list(suggestion.cautions) if answer.holds else [],
        },
        "locations": [_location_json(one) for one in found.locations],
        "places_on_the_rack": None
        if found.positions is None
        else {
            "sentence": found.positions.sentence,
            "places": [
                {"place": p.position, "pieces": p.pieces, "above_rack": float(p.above_rack), "off": float(p.off)}
                for p in found.positions.positions
            ],
        },
        "over_period": None
        if answer.over_period is None
        else [_location_json(one) for one in answer.over_period.locations],
        "powder_above_need": {
            "film": float(answer.powder.above),
            "least": _number(answer.powder.least),
            "most": _number(answer.powder.most),
            "sentences": powder_lines(answer),
            "assumptions": list(answer.powder.assumptions),
            "missing": list(answer.powder.missing),
        },
        "notes": notes_of(answer),
    }


def _location_json(one: LocationCoaching) -> dict[str, Any]:
    return {
        "location": one.aim.location,
        "n": one.n,
        "pieces": one.pieces,
        "few": one.few,
        "mean": _interval(one.mean),
        "off": float(one.off),
        "off_firmly": one.off_firmly,
        "between_pieces": _number(one.between_pieces),
        "within_piece": _number(one.within_piece),
        "gauge_expanded": _number(one.expanded),
        "outside": None
        if one.out is None
        else {
            "readings": one.out.readings,
            "below": one.out.below,
            "above": one.out.above,
            "pieces": one.out.pieces,
            "pieces_out": one.out.pieces_out,
            "share_low": float(one.out.low),
            "share_high": float(one.out.high),
        },
        "earlier": None
        if one.earlier is None
        else {
            "racks": one.earlier.racks,
            "difference": _interval(one.earlier.difference),
            "beyond_gauge": one.earlier.beyond_gauge,
        },
        "deviation_from_target": _number(one.deviation),
        "level_signals": one.level_signals,
        "spread_signals": one.spread_signals,
        "sentences": list(one.sentences),
    }


def _interval(of: Interval | None) -> dict[str, float] | None:
    return None if of is None else {"value": float(of.value), "low": float(of.low), "high": float(of.high)}


def _number(value: Number | None) -> float | None:
    return None if value is None else float(value)


def period_words(since: Any, until: Any) -> str:
    """Return a period of days in words; either end may be missing."""
    ends: Sequence[str] = [
        *([f"from {day(since)}"] if since is not None else []),
        *([f"to {day(until)}"] if until is not None else []),
    ]
    return " ".join(ends) or "of all time"
