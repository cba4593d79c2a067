"""What history, look-back and coaching ask of the archive: one definition of each question. Pure: nothing here reads a file.

A question is one SQL text over a relation called ``readings``: the columns of the contract, the valid revision of
each inspection only, and ``month``. The text is DuckDB's. It is answered month by month, here over the files of one
archive (query.py) and elsewhere over any relation of that name (:func:`view`); :meth:`Question.joined` makes one
answer of the months' parts.

**Film build** is ``thickness_um - coalesce(base_metal_um, 0)``, an exact decimal. Only judged readings have one:
``counted``, and of coat stage ``total`` (``rules.film_build.is_judged``). What an acceptance rule of the job subtracts
beyond the base metal (the roughness correction of ISO 19840) is the job's and not the reading's, and stays outside.

**Month** is the month of the commit in UTC: the month folder's, or the segment's. So a month's answer depends on that
month's files and on which of its revisions were superseded, and an inspection lies in one month whole. A correction moves
its inspection to the month in which the correction was sealed, since that is where the valid revision stands: only then
does a closed month's answer change, and the month of the correction gains what the other one loses. A reading taken on the
last evening of a month and sealed on the next day counts to the next month; to ask by the time that it was taken, say so
in the :class:`Selection`.

**Limits** are compared exactly in the unit of the specification: ``build < lower`` in mil is ``build_um < lower * 25.4``,
and both sides are decimals that nothing is rounded off.

**Quantiles** are the contract's nearest rank (``quantile_disc``), an observed value.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction
from typing import Any, Final, Generic, TypeVar

import pyarrow as pa

from schemas.units import UM_PER_MIL, Unit
from schemas.vocabulary import CoatStage

#: What readings can be grouped by, beside the month.
GROUPS: Final = (
    "part_no",
    "location",
    "customer",
    "powder",
    "powder_batch",
    "sprayer",
    "rack",
    "rack_position",
    "gauge_serial",
    "probe_mode",
    "inspector",
    "lot",
    "piece",
)
#: The name of the relation that every question is asked of.
SOURCE: Final = "readings"
#: The shares of the quantiles that a summary holds.
SHARES: Final = (Decimal("0.05"), Decimal("0.5"), Decimal("0.95"))

#: A standard deviation is given with so many significant digits, as rules.statistics does.
_DIGITS: Final = Context(prec=34, rounding=ROUND_HALF_EVEN)
#: A step is the last decimal place that the contract keeps of a thickness.
_STEPS_PER_UM: Final = 10_000


# what is asked about


@dataclass(frozen=True, kw_only=True)
class Selection:
    """Which readings a question is about; what is None is not asked for.

    Attributes:
        part_no, location, powder, sprayer, rack, rack_position, gauge_serial, lot: As the readings hold it, whole.
        customer: The name or a part of it, whatever its case (casefold).
        since: Taken at this instant or later.
        until: Taken before this instant.
    """

    part_no: str | None = None
    location: str | None = None
    powder: str | None = None
    customer: str | None = None
    sprayer: str | None = None
    rack: str | None = None
    rack_position: str | None = None
    gauge_serial: str | None = None
    lot: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def __post_init__(self) -> None:
        """Refuse a time without a zone.

        Raises:
            ValueError: since or until has no time zone.
        """
        for moment in (self.since, self.until):
            if moment is not None and moment.tzinfo is None:
                raise ValueError(f"{moment.isoformat()} has no time zone")


# what is answered


@dataclass(frozen=True, slots=True, kw_only=True)
class Statistics:
    """Film build of several readings, exactly.

    Attributes:
        n: Readings, at least one.
        sum_um: Sum of their builds, in µm.
        sum_of_squares_um2: Sum of the squares of their builds, in µm².
        min_um, max_um: Least and greatest build, in µm.
        below: Readings below their lower limit.
        above: Readings above their upper limit.
        limited: Readings with a limit, or two; of the others none can be outside.
    """

    n: int
    sum_um: Decimal
    sum_of_squares_um2: Decimal
    min_um: Decimal
    max_um: Decimal
    below: int
    above: int
    limited: int

    @property
    def mean_um(self) -> Fraction:
        """Return the mean in µm, exactly."""
        return Fraction(self.sum_um) / self.n

    @property
    def sd_um(self) -> Decimal | None:
        """Return the sample standard deviation (n - 1) in µm, to 34 significant digits; None of one reading.

        The definition is that of rules.statistics.standard_deviation.
        """
        if self.n < 2:
            return None
        square = (self.n * Fraction(self.sum_of_squares_um2) - Fraction(self.sum_um) ** 2) / (self.n * (self.n - 1))
        # The quotient keeps more digits than are given out, so that only one rounding shows.
        work = Context(prec=_DIGITS.prec + 16, rounding=ROUND_HALF_EVEN)
        return _DIGITS.plus(work.sqrt(work.divide(Decimal(square.numerator), Decimal(square.denominator))))

    @property
    def outside(self) -> int:
        """Return the readings outside their limits."""
        return self.below + self.above


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthSummary(Statistics):
    """Film build of one group in one month.

    Attributes:
        month: Month of the commit in UTC, as 2026-11.
        group: The values of what was grouped by, in that order.
        p5_um, p50_um, p95_um: Nearest-rank quantiles, in µm.
        inspections: Inspections that the readings are of.
        specification_unit: Unit of the limits, or None where it is not the same in all.
    """

    month: str
    group: tuple[str | None, ...]
    p5_um: Decimal
    p50_um: Decimal
    p95_um: Decimal
    inspections: int
    specification_unit: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionSummary(Statistics):
    """Film build of one group in one inspection.

    A fact that is not the same in all its readings is None, as one that is not known is; group by it to see which.

    Attributes:
        month: Month of the commit in UTC, as 2026-11.
        inspection_id, revision: The inspection in its valid revision.
        group: The values of what was grouped by, in that order.
        first_taken_at, last_taken_at: When the first and the last of the readings were taken, UTC.
        specification_unit: Unit of the limits and of the target band.
        lower, target_low, target_high, upper: In specification_unit.
    """

    month: str
    inspection_id: str
    revision: int
    group: tuple[str | None, ...]
    first_taken_at: datetime
    last_taken_at: datetime
    specification_unit: str | None
    lower: Decimal | None
    target_low: Decimal | None
    target_high: Decimal | None
    upper: Decimal | None
    customer: str | None
    part_no: str | None
    lot: str | None
    powder: str | None
    powder_batch: str | None
    sprayer: str | None
    inspector: str | None
    rack: str | None
    rack_position: str | None
    gauge_serial: str | None
    probe_mode: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildCount:
    """How often one film build was read in one group, over all months.

    Attributes:
        group: The values of what was grouped by, in that order.
        build_um: The build, in µm.
        count: How many readings.
    """

    group: tuple[str | None, ...]
    build_um: Decimal
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeUse:
    """From when to when a gauge took judged readings in one mode.

    Attributes:
        first_taken_at, last_taken_at: When the first and the last of them were taken, UTC.
    """

    gauge_serial: str
    probe_mode: str
    first_taken_at: datetime
    last_taken_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Affected:
    """An inspection with readings of one gauge in one period, counted or not.

    Attributes:
        n: Readings of it in the period.
        counted: Those of them that are judged.
        first_taken_at, last_taken_at: When the first and the last of them were taken, UTC.
    """

    month: str
    inspection_id: str
    revision: int
    customer: str
    part_no: str
    lot: str
    purchase_order: str | None
    work_order: str | None
    n: int
    counted: int
    first_taken_at: datetime
    last_taken_at: datetime


Row = TypeVar("Row")


@dataclass(frozen=True)
class Question(Generic[Row]):
    """One question, ready to be asked of the months of any archive.

    Attributes:
        sql: The text, over the relation ``readings``.
        parameters: What is bound to its ``$names``.
        customer: Part of a customer's name, casefolded, or None. The full names that hold it are bound to
            ``$customers``, since no SQL folds case as Python does; :data:`CUSTOMERS` asks for the names.
        by: What is grouped by.
        every_revision: Whether superseded revisions are asked too.
        joined: Makes one answer of the months' parts, in whatever order they come.
    """

    sql: str
    parameters: dict[str, Any]
    customer: str | None
    by: tuple[str, ...]
    every_revision: bool
    joined: Callable[[Iterable[pa.Table]], list[Row]]


#: Every customer's name.
CUSTOMERS: Final = f"SELECT DISTINCT customer FROM {SOURCE}"  # noqa: S608 - no word of it comes from outside


def customers_named(part: str, names: Iterable[str]) -> list[str]:
    """Return those of *names* that hold *part*, which is casefolded already."""
    return sorted(name for name in names if part in name.casefold())


# the questions


def month_summaries(selection: Selection, by: Sequence[str] = ("part_no", "location")) -> Question[MonthSummary]:
    """Ask for the film build per month and group, ordered by group and then month.

    Args:
        selection: Which readings.
        by: What is grouped by, of GROUPS; may be empty.

    Raises:
        ValueError: Something in *by* is none of GROUPS, or twice there.
    """
    groups = _checked(by)
    p5, p50, p95 = (f"quantiles[{i}]" for i in (1, 2, 3))
    sql = f"""{_judged(selection, groups)}
SELECT * EXCLUDE (quantiles), {p5} AS p5_um, {p50} AS p50_um, {p95} AS p95_um
FROM (
    SELECT {_listed("month", *groups)},
        {_STATISTICS},
        quantile_disc(build_um, [{", ".join(map(str, SHARES))}]) AS quantiles,
        count(DISTINCT inspection_id) AS inspections,
        CASE count(*) FILTER (specification_unit = '{Unit.MIL}')
            WHEN 0 THEN '{Unit.UM}' WHEN count(*) THEN '{Unit.MIL}' END AS specification_unit
    FROM judged
    GROUP BY {_listed("month", *groups)}
)"""  # noqa: S608 - columns are checked against GROUPS, what comes from outside is bound

    def joined(parts: Iterable[pa.Table]) -> list[MonthSummary]:
        rows = [row for part in parts for row in _records(MonthSummary, part, groups)]
        return sorted(rows, key=lambda row: (group_order(row.group), row.month))

    return _question(sql, selection, groups, joined)


def inspection_summaries(selection: Selection, by: Sequence[str] = ("location",)) -> Question[InspectionSummary]:
    """Ask for the film build per inspection and group, in the order in which they were taken.

    Args:
        selection: Which readings.
        by: What is grouped by within the inspection, of GROUPS: ("location",), or ("piece", "location").

    Raises:
        ValueError: Something in *by* is none of GROUPS, or twice there.
    """
    groups = _checked(by)
    facts = ("specification_unit", "lower", "target_low", "target_high", "upper", *_FACTS)
    sql = f"""{_judged(selection, (*groups, *(f for f in facts if f not in groups)), "revision", "taken_at")}
SELECT {_listed("month", "inspection_id", "revision", *(f'{g} AS "group_{g}"' for g in groups))},
    {_STATISTICS},
    min(taken_at) AS first_taken_at,
    max(taken_at) AS last_taken_at,
    {_listed(*map(_the_one, facts))}
FROM judged
GROUP BY {_listed("month", "inspection_id", "revision", *groups)}"""  # noqa: S608 - as above

    def joined(parts: Iterable[pa.Table]) -> list[InspectionSummary]:
        rows = [row for part in parts for row in _records(InspectionSummary, part, groups, "group_")]
        return sorted(rows, key=lambda row: (row.first_taken_at, row.inspection_id, group_order(row.group)))

    return _question(sql, selection, groups, joined)


def build_counts(selection: Selection, by: Sequence[str] = ()) -> Question[BuildCount]:
    """Ask how often each film build was read in each group, ordered by group and build; months add up exactly.

    Raises:
        ValueError: Something in *by* is none of GROUPS, or twice there.
    """
    groups = _checked(by)
    sql = f"""{_judged(selection, groups)}
SELECT {_listed(*groups, "build_um")}, count(*) AS count
FROM judged
GROUP BY {_listed(*groups, "build_um")}"""  # noqa: S608 - as above

    def joined(parts: Iterable[pa.Table]) -> list[BuildCount]:
        found: dict[tuple[tuple[str | None, ...], Decimal], int] = {}
        for part in parts:
            for row in _records(BuildCount, part, groups):
                found[row.group, row.build_um] = found.get((row.group, row.build_um), 0) + row.count
        order = sorted(found, key=lambda key: (group_order(key[0]), key[1]))
        return [BuildCount(group=key[0], build_um=key[1], count=found[key]) for key in order]

    return _question(sql, selection, groups, joined)


def gauge_uses(selection: Selection) -> Question[GaugeUse]:
    """Ask from when to when each gauge took readings in each mode, ordered by gauge and mode, over all months."""
    sql = f"""{_judged(selection, (), "gauge_serial", "probe_mode", "taken_at")}
SELECT gauge_serial, probe_mode, min(taken_at) AS first_taken_at, max(taken_at) AS last_taken_at
FROM judged
GROUP BY gauge_serial, probe_mode"""  # noqa: S608 - what comes from outside is bound

    def joined(parts: Iterable[pa.Table]) -> list[GaugeUse]:
        found: dict[tuple[str, str], GaugeUse] = {}
        for part in parts:
            for row in _records(GaugeUse, part, ()):
                key = (row.gauge_serial, row.probe_mode)
                known = found.get(key, row)
                found[key] = dataclasses.replace(
                    row,
                    first_taken_at=min(row.first_taken_at, known.first_taken_at),
                    last_taken_at=max(row.last_taken_at, known.last_taken_at),
                )
        return [found[key] for key in sorted(found)]

    return _question(sql, selection, (), joined)


def affected(
    gauge_serial: str,
    probe_mode: str | None,
    start: datetime | None,
    end: datetime | None,
    *,
    every_revision: bool = False,
) -> Question[Affected]:
    """Ask which inspections hold readings of a gauge in a period, counted or not, in the order taken: the look-back.

    Args:
        gauge_serial: The gauge.
        probe_mode: The principle of the probe, or None for every one.
        start: Taken at this instant or later; None for from the beginning on.
        end: Taken at this instant or before, as rules.calibration_gate.readings_in_doubt has it; None for to the end.
        every_revision: Superseded revisions too: a certificate may have been issued of one.

    Raises:
        ValueError: A time has no time zone.
    """
    parameters: dict[str, Any] = {"gauge_serial": gauge_serial}
    conditions = ["gauge_serial = $gauge_serial"]
    if probe_mode is not None:
        parameters["probe_mode"] = probe_mode
        conditions.append("probe_mode = $probe_mode")
    for name, moment, sign in (("start", start, ">="), ("end", end, "<=")):
        if moment is not None:
            parameters[name] = _instant(moment)
            conditions.append(f"taken_at {sign} ${name}")
    same = ("inspection_id", "revision", "customer", "part_no", "lot", "purchase_order", "work_order")
    sql = f"""SELECT {_listed("month", *same)},
    count(*) AS n,
    count(*) FILTER ({_IS_JUDGED}) AS counted,
    min(taken_at) AS first_taken_at,
    max(taken_at) AS last_taken_at
FROM {SOURCE}
WHERE {" AND ".join(conditions)}
GROUP BY {_listed("month", *same)}"""  # noqa: S608 - as above

    def joined(parts: Iterable[pa.Table]) -> list[Affected]:
        rows = [row for part in parts for row in _records(Affected, part, ())]
        return sorted(rows, key=lambda row: (row.first_taken_at, row.inspection_id, row.revision))

    return Question(sql, parameters, None, (), every_revision, joined)


def view(source: str, month: str, *, superseded: bool = False) -> str:
    """Return the SELECT that makes the relation ``readings`` of one month.

    Args:
        source: What holds the month's rows, in the columns of the contract: a relation's name or a table function.
        month: The month of the commits, as 2026-11; digits and a hyphen.
        superseded: Whether the month may hold superseded revisions: then a relation ``superseded`` (inspection_id,
            revision) names them.
    """
    return valid(f"SELECT *, '{month}' AS month FROM {source}", superseded=superseded)  # noqa: S608 - names of our own


def valid(select: str, *, superseded: bool) -> str:
    """Return *select* without the rows of superseded revisions, which a relation ``superseded`` names."""
    return f"{select} ANTI JOIN superseded USING (inspection_id, revision)" if superseded else select


# the pieces that they are made of

_FACTS: Final = (
    "customer",
    "part_no",
    "lot",
    "powder",
    "powder_batch",
    "sprayer",
    "inspector",
    "rack",
    "rack_position",
    "gauge_serial",
    "probe_mode",
)
_IS_JUDGED: Final = f"counted AND coat_stage = '{CoatStage.TOTAL}'"
# coalesce to a decimal of the column's own type: with a plain 0 the difference would be kept in twice the bytes.
_BUILD: Final = "thickness_um - coalesce(base_metal_um, 0::DECIMAL(9,4))"
_IN_UM: Final = f"CASE specification_unit WHEN '{Unit.MIL}' THEN {{0}} * {UM_PER_MIL} ELSE {{0}} END AS {{0}}_um"
# Squares are summed as whole numbers of steps: exact, and the same however many threads and machines add them up.
_STATISTICS: Final = """count(*) AS n,
        sum(build_um) AS sum_um,
        sum(steps * steps) AS sum_of_squares,
        min(build_um) AS min_um,
        max(build_um) AS max_um,
        count(*) FILTER (build_um < lower_um) AS below,
        count(*) FILTER (build_um > upper_um) AS above,
        count(*) FILTER (lower_um IS NOT NULL OR upper_um IS NOT NULL) AS limited"""


def _judged(selection: Selection, columns: Iterable[str], *more: str) -> str:
    """Return the beginning of a question: the judged readings of *selection* with their builds and limits."""
    conditions = [_IS_JUDGED]
    for name in _WHOLE:
        if getattr(selection, name) is not None:
            conditions.append(f"{name} = ${name}")
    if selection.customer is not None:
        conditions.append("list_contains($customers::VARCHAR[], customer)")
    if selection.since is not None:
        conditions.append("taken_at >= $since")
    if selection.until is not None:
        conditions.append("taken_at < $until")
    wanted = dict.fromkeys(("month", "inspection_id", "specification_unit", *columns, *more))
    return f"""WITH judged AS (
    SELECT {_listed(*wanted)},
        {_BUILD} AS build_um,
        CAST(({_BUILD}) * {_STEPS_PER_UM} AS BIGINT) AS steps,
        {_IN_UM.format("lower")},
        {_IN_UM.format("upper")}
    FROM {SOURCE}
    WHERE {" AND ".join(conditions)}
)"""  # noqa: S608 - columns are checked against GROUPS, what comes from outside is bound


_WHOLE: Final = ("part_no", "location", "powder", "sprayer", "rack", "rack_position", "gauge_serial", "lot")


def _question(
    sql: str, selection: Selection, by: tuple[str, ...], joined: Callable[[Iterable[pa.Table]], list[Row]]
) -> Question[Row]:
    parameters = {name: value for name in _WHOLE if (value := getattr(selection, name)) is not None}
    for name, moment in (("since", selection.since), ("until", selection.until)):
        if moment is not None:
            parameters[name] = _instant(moment)
    customer = None if selection.customer is None else selection.customer.casefold()
    return Question(sql, parameters, customer, by, False, joined)


def _checked(by: Sequence[str]) -> tuple[str, ...]:
    for name in by:
        if name not in GROUPS:
            raise ValueError(f"readings are not grouped by {name!r}; there are: {', '.join(GROUPS)}")
    if len(set(by)) < len(by):
        raise ValueError("a group is named twice")
    return tuple(by)


def _instant(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone")
    return moment.astimezone(UTC)


def _listed(*columns: str) -> str:
    return ", ".join(columns)


def _the_one(column: str) -> str:
    """Return the value that all rows of a group have in *column*, or null."""
    return f"CASE WHEN count({column}) = count(*) AND min({column}) = max({column}) THEN min({column}) END AS {column}"


def group_order(group: tuple[str | None, ...]) -> tuple[tuple[bool, str], ...]:
    """Return what *group* is ordered by: names, and what is not known last."""
    return tuple((value is None, value or "") for value in group)


def _records(kind: type[Row], part: pa.Table, by: tuple[str, ...], prefix: str = "") -> list[Row]:
    """Return the rows of *part* as instances of *kind*."""
    columns: dict[str, list[Any]] = {}
    for field in dataclasses.fields(kind):  # type: ignore[arg-type]  # every kind is a dataclass
        if field.name == "group":
            values = [part.column(prefix + name).to_pylist() for name in by]
            columns["group"] = list(zip(*values, strict=True)) if by else [()] * part.num_rows
        elif field.name == "sum_of_squares_um2":
            columns[field.name] = [_um2(steps) for steps in part.column("sum_of_squares").to_pylist()]
        else:
            columns[field.name] = part.column(field.name).to_pylist()
    return [kind(**dict(zip(columns, row, strict=True))) for row in zip(*columns.values(), strict=True)]


#: As many digits as a sum in DuckDB can have.
_WHOLE_DIGITS: Final = Context(prec=39)


def _um2(steps: Any) -> Decimal:
    """Return a sum of squares in µm²; a step is 10⁻⁴ µm."""
    return _WHOLE_DIGITS.scaleb(Decimal(steps), -8)
