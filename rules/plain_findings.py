"""The findings of an inspection without a gap, from the columns of its readings: the same as one reading at a time gives.

Where each place was read exactly as planned, spot after spot, and every reading counts, what the two plainest rules find
follows from the least, the greatest and the sum of whole numbers. Words and comparisons are those of rules/places.py:
each different finding is worded there once, and said of other pieces with their names put in.
"""

from __future__ import annotations

from fractions import Fraction
from math import lcm
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute

from rules.places import PieceLocation, comparison_of, high, highest, low, lowest, where
from rules.sentence import Sentence
from rules.verdict import Finding, Verdict, overall
from schemas.job import Job
from schemas.units import from_um
from schemas.vocabulary import CoatStage, RuleName

pc: Final[Any] = pyarrow.compute  # its type information knows fewer pairs of arguments than it takes

_LARGEST_KEY: Final = (1 << 31) - 1


def plain_findings(job: Job, readings: pa.Table) -> tuple[list[Finding], Verdict] | None:
    """Return what :func:`rules.assessment.conformity_of` finds in *readings*: findings by location, and the verdict.

    Args:
        job: The job.
        readings: Rows of the readings table, in the order taken.

    Returns:
        None where the job's rule looks at more, or where a reading is left out, missing, beyond the plan or out of
        its order; then :func:`rules.assessment.conformity_of` has to judge.
    """
    if job.rule.name not in (RuleName.EVERY_READING, RuleName.LOCATION_MEANS) or job.base_reading:
        return None
    if not pc.all(readings["counted"]).as_py() or readings["base_metal_um"].null_count < readings.num_rows:
        return None
    if pc.unique(readings["coat_stage"]).to_pylist() != [CoatStage.TOTAL.value]:
        return None
    places = _places(job, readings)
    if places is None:
        return None
    encoded = _whole(readings["thickness_um"]).dictionary_encode()
    values = sorted(encoded.dictionary.to_pylist())
    # In order of size, so that the least of numbers stands for the least of builds.
    rank = {value: number for number, value in enumerate(values)}
    ranks = pa.array([rank[value] for value in encoded.dictionary.to_pylist()], pa.int32()).take(encoded.indices)
    builds = [from_um(value, job.unit) for value in values]
    judge = _every_reading if job.rule.name is RuleName.EVERY_READING else _means
    findings = judge(job, places, ranks, builds)
    return findings, overall(findings)


def _places(job: Job, readings: pa.Table) -> list[list[tuple[str, int]]] | None:
    """Return for each location of the job its pieces, each with the number of its first row; None where one is not as planned."""
    pieces = _whole(readings["piece"]).dictionary_encode()
    locations = _whole(readings["location"]).dictionary_encode()
    order = {place.name: number for number, place in enumerate(job.location)}
    named = locations.dictionary.to_pylist()
    if any(name not in order for name in named):
        return None
    many = len(job.location)
    if len(pieces.dictionary) * many > _LARGEST_KEY:
        return None
    location = pa.array([order[name] for name in named], pa.int32()).take(locations.indices)
    key = pc.add(pc.multiply(pieces.indices, pa.scalar(many, pa.int32())), location)
    changes = pc.indices_nonzero(pc.not_equal(key[1:], key[:-1])).to_pylist()
    starts = [0, *(place + 1 for place in changes)]
    keys = key.take(pa.array(starts)).to_pylist()
    names: list[str] = pieces.dictionary.to_pylist()
    if len(keys) != len(names) * many or len(set(keys)) != len(keys):
        return None
    found: list[list[tuple[str, int]]] = [[("", 0)] * len(names) for _ in job.location]
    for start, end, one in zip(starts, [*starts[1:], readings.num_rows], keys, strict=True):
        piece, number = divmod(one, many)
        if end - start != job.location[number].planned:
            return None
        found[number][piece] = names[piece], start
    return found if _spots_in_order(job, readings, location, starts) else None


def _spots_in_order(job: Job, readings: pa.Table, location: Any, starts: list[int]) -> bool:
    """Return whether the readings of each place fill one spot after the other, each as planned."""
    count = readings.num_rows
    lengths = [end - start for start, end in zip(starts, [*starts[1:], count], strict=True)]
    ends = pa.array([start + length for start, length in zip(starts, lengths, strict=True)], pa.int32())
    encoded: Any = pa.RunEndEncodedArray.from_arrays(ends, pa.array(starts, pa.int32()))
    number = pc.cumulative_sum(pa.repeat(pa.scalar(1, pa.int32()), count))
    nth = pc.subtract(pc.subtract(number, pc.run_end_decode(encoded)), pa.scalar(1, pa.int32()))
    per_spot = pa.array([place.readings_per_spot for place in job.location], pa.int32()).take(location)
    return bool(
        pc.all(pc.equal(_whole(readings["spot"]), pc.add(pc.divide(nth, per_spot), pa.scalar(1, pa.int32())))).as_py()
    )


def _whole(column: Any) -> Any:
    """Return *column* as one array."""
    whole = column.combine_chunks()
    return pa.concat_arrays(whole.chunks) if isinstance(whole, pa.ChunkedArray) else whole


def _every_reading(job: Job, places: list[list[tuple[str, int]]], ranks: Any, builds: list[Fraction]) -> list[Finding]:
    findings: list[Finding] = []
    numbers: list[int] = ranks.to_pylist()
    for location, pieces in zip(job.location, places, strict=True):
        known: dict[tuple[bool, int], Finding] = {}
        for piece, start in pieces:
            place = PieceLocation(piece, location, {}, comparison_of(job.rule))
            here = numbers[start : start + location.planned]
            among = tuple([builds[number] for number in here])
            in_words = where(place)
            if location.lower is not None:
                key = True, min(here)
                if key not in known:
                    least = (builds[key[1]],)
                    known[key] = lowest(place, "lowest reading", least, location.lower, "the lower limit", job.unit)
                findings.append(_said_of(piece, in_words, known[key], among))
            if location.upper is not None:
                key = False, max(here)
                if key not in known:
                    greatest = (builds[key[1]],)
                    known[key] = highest(
                        place, "highest reading", greatest, location.upper, "the upper limit", job.unit
                    )
                findings.append(_said_of(piece, in_words, known[key], among))
    return findings


def _means(job: Job, places: list[list[tuple[str, int]]], ranks: Any, builds: list[Fraction]) -> list[Finding]:
    findings: list[Finding] = []
    denominator = lcm(*(build.denominator for build in builds))
    whole = [build.numerator * (denominator // build.denominator) for build in builds]
    numbers = [whole[rank] for rank in ranks.to_pylist()]
    for location, pieces in zip(job.location, places, strict=True):
        count = location.planned
        for piece, start in pieces:
            place = PieceLocation(piece, location, {}, comparison_of(job.rule))
            found = Fraction(sum(numbers[start : start + count]), count * denominator)
            check = "mean of the readings"
            if location.lower is not None:
                findings.append(low(place, check, found, location.lower, "the lower limit", job.unit, count))
            if location.upper is not None:
                findings.append(high(place, check, found, location.upper, "the upper limit", job.unit, count))
    return findings


def _said_of(piece: str, place: str, finding: Finding, among: tuple[Fraction, ...]) -> Finding:
    """Return *finding*, which was made at the same location of another piece, for *piece*; *place* says in words where."""
    words = finding.sentence
    assert isinstance(words, Sentence)  # noqa: S101 - the names of both limits have sentences of their own
    return Finding(
        finding.verdict,
        finding.check,
        words.of(place=place),
        location=finding.location,
        piece=piece,
        found=finding.found,
        limit=finding.limit,
        low=finding.low,
        among=among,
    )
