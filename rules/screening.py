"""The verdicts of many inspections of one job at once: on columns, exact, and the same as one by one.

What is left out is what a person reads: findings, sentences, uncertainty, advice. What decides is not: which readings
are judged, what is subtracted, completeness, the comparison with the limits in the unit of the specification. Sums,
least and greatest are taken in whole numbers of 0.0001 µm, the last place that a reading is kept with, and compared
with the limits as fractions. Rules that look at more than that are judged one by one (:func:`screenable`).
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from math import ceil, floor
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute

from rules.verdict import Verdict
from schemas.job import Job, Location
from schemas.shop import Shop
from schemas.units import exact_um
from schemas.vocabulary import CoatStage, DecisionRule, RuleName, VerificationError

#: The columns of the readings table that decide.
COLUMNS: Final = (
    "inspection_id",
    "piece",
    "location",
    "spot",
    "thickness_um",
    "base_metal_um",
    "counted",
    "coat_stage",
)
# Its type information knows fewer pairs of arguments than it takes.
pc: Final[Any] = pyarrow.compute

_PLACES: Final = 10_000
_LARGEST_KEY: Final = 1 << 62
_OPEN_LOW: Final = -(1 << 62)
_OPEN_HIGH: Final = 1 << 62


def screenable(job: Job, shop: Shop) -> bool:
    """Return whether inspections of *job* can be screened: single readings or means of locations by simple acceptance."""
    return (
        job.rule.name in (RuleName.EVERY_READING, RuleName.LOCATION_MEANS)
        and job.rule.comparison == "absolute"
        and job.decision.rule is DecisionRule.SIMPLE
        and job.sampling is None
        and shop.verification.error is VerificationError.CARRIED
    )


def screen(job: Job, readings: pa.Table) -> dict[str, Verdict | None]:
    """Return the conformity of each inspection in *readings*, the gauge aside; None where it has to be judged one by one.

    Args:
        job: A job that is :func:`screenable`.
        readings: Rows of the readings table with at least COLUMNS, of inspections that were all taken under *job*.
    """
    ids = pc.dictionary_encode(_plain(readings["inspection_id"]))
    names: list[str] = ids.dictionary.to_pylist()
    if not names:
        return {}
    judged = pc.and_(readings["counted"], pc.equal(_plain(readings["coat_stage"]), CoatStage.TOTAL.value))
    table = pa.table(
        {
            "inspection": ids.indices.cast(pa.int64()),
            "piece": _codes(readings["piece"]),
            "location": _location_codes(job, readings["location"]),
            "spot": readings["spot"].cast(pa.int64()),
            "thickness": _in_places(readings["thickness_um"]),
            "base": readings["base_metal_um"],
        }
    ).filter(judged)
    found: list[Verdict | None] = [Verdict.UNDECIDED] * len(names)
    unsure = _flagged(table, pc.equal(table["location"], -1))
    # A piece of which no reading counts is undecided, and where any is left out one would have to look for such pieces.
    left_out = pc.and_(pc.invert(readings["counted"]), pc.equal(_plain(readings["coat_stage"]), CoatStage.TOTAL.value))
    unsure |= set(pc.unique(ids.indices.filter(_plain(left_out))).to_pylist())
    if job.base_reading:
        unsure |= _flagged(table, pc.is_null(table["base"]))
    base = pc.fill_null(_in_places(table["base"]), 0)
    table = table.set_column(4, "thickness", pc.subtract(table["thickness"], base)).drop_columns(["base"])
    table = table.filter(pc.not_equal(table["location"], -1))
    spots = _grouped(table, ["inspection", "piece", "location", "spot"])
    if spots is None:
        return dict.fromkeys(names)
    for number, verdict in _by_inspection(job, spots):
        found[number] = verdict
    # Why something is not plain is for the full judgement to say; it may be FAIL as well as UNDECIDED.
    return {name: None if number in unsure else found[number] for number, name in enumerate(names)}


def _by_inspection(job: Job, spots: pa.Table) -> list[tuple[int, Verdict | None]]:
    many = len(job.location)
    per_spot = pa.array([place.readings_per_spot for place in job.location])
    credit = pc.min_element_wise(spots["n"], pc.take(per_spot, spots["location"]))
    places = (
        spots.append_column("credit", credit)
        .group_by(["inspection", "piece", "location"])
        .aggregate(
            [("sum", "sum"), ("n", "sum"), ("least", "min"), ("greatest", "max"), ("credit", "sum"), ("n", "count")]
        )
    )
    at = places["location"]

    def of_location(value: Callable[[Location], int]) -> Any:
        return pc.take(pa.array([value(place) for place in job.location], pa.int64()), at)

    if job.rule.name is RuleName.EVERY_READING:
        low = pc.less(
            places["least_min"], of_location(lambda p: _OPEN_LOW if p.lower is None else ceil(_scaled(p.lower, job)))
        )
        high = pc.greater(
            places["greatest_max"],
            of_location(lambda p: _OPEN_HIGH if p.upper is None else floor(_scaled(p.upper, job))),
        )
    else:
        low, high = _means_outside(job, places, of_location)
    places = (
        places.append_column("failed", pc.or_(low, high).cast(pa.int64()))
        .append_column("lacking", pc.less(places["credit_sum"], of_location(lambda p: p.planned)).cast(pa.int64()))
        # A spot beyond the plan makes up for none that was left out: which spots count is for the full judgement.
        .append_column("beyond", pc.greater(places["n_count"], of_location(lambda p: p.spots)).cast(pa.int64()))
    )
    whole = places.group_by(["inspection"]).aggregate(
        [("failed", "max"), ("lacking", "max"), ("beyond", "max"), ("location", "count"), ("piece", "count_distinct")]
    )
    columns = ("inspection", "failed_max", "lacking_max", "beyond_max", "location_count", "piece_count_distinct")
    rows = zip(*(whole[name].to_pylist() for name in columns), strict=True)
    return [
        (number, _verdict(failed=failed, lacking=lacking or measured < pieces * many, beyond=beyond))
        for number, failed, lacking, beyond, measured, pieces in rows
    ]


def _verdict(*, failed: int, lacking: int | bool, beyond: int) -> Verdict | None:
    if failed:
        return Verdict.FAIL
    if beyond:
        return None
    return Verdict.UNDECIDED if lacking else Verdict.PASS


def _means_outside(
    job: Job, places: pa.Table, of_location: Callable[[Callable[[Location], int]], Any]
) -> tuple[Any, Any]:
    """Compare sum · denominator with limit · count · denominator, all whole numbers."""
    below = max(
        _scaled(limit, job).denominator for p in job.location for limit in (p.lower, p.upper) if limit is not None
    )
    total = pc.multiply(places["sum_sum"], below)
    count = places["n_sum"]

    def times_count(limit: Fraction | None, otherwise: int) -> int:
        return otherwise if limit is None else int(limit * below)

    # An open side is a limit that no sum of films reaches, kept small enough to be multiplied by a count.
    far = 1 << 40
    lower = of_location(lambda p: times_count(None if p.lower is None else _scaled(p.lower, job), -far))
    upper = of_location(lambda p: times_count(None if p.upper is None else _scaled(p.upper, job), far))
    return pc.less(total, pc.multiply(lower, count)), pc.greater(total, pc.multiply(upper, count))


def _scaled(limit: Any, job: Job) -> Fraction:
    """Return a limit of the job in units of 0.0001 µm, exactly."""
    return exact_um(limit, job.unit) * _PLACES


def _grouped(table: pa.Table, keys: list[str]) -> pa.Table | None:
    """Return sum, least, greatest and number of the thicknesses by *keys*; None where the keys make too large a number."""
    sizes = [(pc.max(table[key]).as_py() or 0) + 1 for key in keys]
    product = 1
    for size in sizes:
        product *= size
    if product > _LARGEST_KEY:
        return None
    key = table[keys[0]]
    for name, size in zip(keys[1:], sizes[1:], strict=True):
        key = pc.add(pc.multiply(key, size), table[name])
    groups = (
        pa.table({"key": key, "thickness": table["thickness"]})
        .group_by("key")
        .aggregate([("thickness", "sum"), ("thickness", "min"), ("thickness", "max"), ("thickness", "count")])
    )
    columns = {
        "sum": groups["thickness_sum"],
        "least": groups["thickness_min"],
        "greatest": groups["thickness_max"],
        "n": groups["thickness_count"],
    }
    rest = groups["key"]
    for name, size in reversed(list(zip(keys, sizes, strict=True))):
        above = pc.divide(rest, size)
        columns[name] = pc.subtract(rest, pc.multiply(above, size))
        rest = above
    return pa.table(columns)


def _flagged(table: pa.Table, mask: Any) -> set[int]:
    """Return the inspections that have a row where *mask* holds."""
    return set(pc.unique(table["inspection"].filter(mask)).to_pylist())


def _codes(column: Any) -> Any:
    return pc.dictionary_encode(_plain(column)).indices.cast(pa.int64())


def _location_codes(job: Job, column: Any) -> Any:
    """Return the place of each location in the job, whatever its case; -1 where the job does not name it."""
    order = {place.name: number for number, place in enumerate(job.location)}
    encoded = pc.dictionary_encode(_plain(column))
    found = [job.find(name) for name in encoded.dictionary.to_pylist()]
    codes = pa.array([-1 if place is None else order[place.name] for place in found], pa.int64())
    return pc.take(codes, encoded.indices)


def _in_places(column: Any) -> Any:
    """Return thicknesses in µm as whole numbers of 0.0001 µm."""
    return pc.multiply(column, pa.scalar(_PLACES, pa.decimal128(5, 0))).cast(pa.decimal128(15, 0)).cast(pa.int64())


def _plain(column: Any) -> Any:
    """Return a column of text as one plain array."""
    whole: Any = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    if isinstance(whole, pa.ChunkedArray):
        whole = pa.concat_arrays(whole.chunks)
    return whole.dictionary_decode() if pa.types.is_dictionary(whole.type) else whole
