"""From the archive's answers to a history: rows, unit and wording, for the terminal and as JSON. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from fractions import Fraction
from typing import Any, Final
from zoneinfo import ZoneInfo

from archive.questions import GaugeUse, InspectionSummary, MonthSummary, Selection, Statistics
from report.figures import DASH, NBSP, figure, moment
from report.terminal_text import table
from rules.calibration_gate import events_of, timeline
from rules.rounding import shown
from rules.wording import PLACES, counted, listed
from schemas.gauge_checks import GaugeCheck
from schemas.units import Unit, from_um
from schemas.vocabulary import CheckKind

#: What a person groups by, and the column of the readings that it is.
PER: Final = {
    "part": "part_no",
    "location": "location",
    "customer": "customer",
    "powder": "powder",
    "powder-batch": "powder_batch",
    "sprayer": "sprayer",
    "rack": "rack",
    "rack-position": "rack_position",
    "gauge": "gauge_serial",
    "inspector": "inspector",
    "lot": "lot",
    "piece": "piece",
}
#: Of which plant a row is, where several are asked.
PLANT: Final = "plant"
_WORD_OF: Final = {column: word for word, column in PER.items()} | {PLANT: PLANT}
SELECTED: Final = {
    "part_no": "part",
    "location": "location",
    "lot": "lot",
    "powder": "powder",
    "customer": "customer named like",
    "sprayer": "sprayer",
    "rack": "rack",
    "rack_position": "rack position",
    "gauge_serial": "gauge",
}


@dataclass(frozen=True)
class CheckedGauge:
    """A check of a gauge that measured, whole: all its standards together.

    Attributes:
        month: Month in which it was done, UTC, as that of the readings.
        within: Whether every error was within its tolerance; None where nothing was measured.
        largest_error_um: The error furthest from nothing, in µm, or None.
    """

    check_id: str
    month: str
    done_at: datetime
    gauge_serial: str
    kind: str
    occasion: str | None
    within: bool | None
    largest_error_um: Fraction | None


@dataclass(frozen=True)
class History:
    """What a history holds.

    Attributes:
        selection: What was asked for, in words.
        per: What is grouped by, as columns of the readings, or PLANT.
        unit: The unit of every value.
        inspections, readings: What the selection covers.
        months: Rows by month; or
        single: rows by inspection.
        checks: Checks of the gauges that measured, from the last verification before the readings to the first one after
            them, by time.
        left_out: Inspections older than those of *single* that are left out.
        verified: Whether each file was shown to be the one that was written.
        plants: Whether it is made from what plants pushed.
    """

    selection: str
    per: tuple[str, ...]
    unit: Unit
    inspections: int
    readings: int
    months: tuple[MonthSummary, ...] = ()
    single: tuple[InspectionSummary, ...] = ()
    checks: tuple[CheckedGauge, ...] = ()
    left_out: int = 0
    verified: bool = False
    plants: bool = False


#: Which month an inspection counts to: that of the commit that holds its valid revision.
MONTH_IS: Final = "of the sealing, UTC, and of a corrected inspection that in which the correction was sealed"
#: How far an answer can be trusted, where nobody asked for more: the files were read, and not compared with anything.
AS_THE_FILES_STAND: Final = "as the files stand; whether they are what was committed, 'filmtally archive check' shows"
#: The same where each file's bytes were compared with the hash that stands with it.
VERIFIED: Final = (
    "every file of readings that was read has the hash that was written with it; whether the ledger bears them out, 'filmtally "
    "archive check' shows"
)


def selection_words(selection: Selection, first: date | None, last: date | None) -> str:
    """Return what was asked for, in words; *first* and *last* are the days that were given."""
    words = [f"{word} {getattr(selection, name)!r}" for name, word in SELECTED.items() if getattr(selection, name)]
    if first is not None:
        words.append(f"taken on {first.isoformat()} or later")
    if last is not None:
        words.append(f"taken on {last.isoformat()} or before")
    return ", ".join(words) or "every reading of the archive"


def unit_of_all(rows: Iterable[MonthSummary | InspectionSummary]) -> Unit:
    """Return the unit that all *rows* are specified in, or µm where they are not all in one."""
    units = {row.specification_unit for row in rows}
    return Unit(units.pop() or Unit.UM) if len(units) == 1 else Unit.UM


def checks_beside(checks: Iterable[GaugeCheck], uses: Iterable[GaugeUse]) -> list[GaugeCheck]:
    """Return the rows of the checks that stand around readings, in whatever month they were done; studies are none.

    Of each gauge and mode in *uses* these are the checks from the last verification before its first reading to the first one
    after its last reading, both included; where there is no such verification, from the first check on or to the last one.
    """
    known = list(checks)
    events = [e for kind in CheckKind if kind is not CheckKind.STUDY for e in events_of(known, kind)]
    beside: set[str] = set()
    for use in uses:
        line = timeline(known, use.gauge_serial, use.probe_mode)
        opening, closing = line.around(use.first_taken_at)[0], line.around(use.last_taken_at)[1]
        beside |= {
            event.check_id
            for event in events
            if event.concerns(use.gauge_serial, use.probe_mode)
            and (opening is None or event.done_at >= opening.done_at)
            and (closing is None or event.done_at <= closing.done_at)
        }
    return [check for check in known if check.check_id in beside]


def checked_gauges(checks: Iterable[GaugeCheck], gauges: set[str]) -> tuple[CheckedGauge, ...]:
    """Return the checks of *gauges*, by time; studies are none."""
    rows: dict[str, list[GaugeCheck]] = defaultdict(list)
    for check in checks:
        if check.gauge_serial in gauges and check.kind != CheckKind.STUDY:
            rows[check.check_id].append(check)
    found = []
    for check_id, of_check in rows.items():
        last = max(of_check, key=lambda row: row.done_at)
        within = [row.within for row in of_check if row.within is not None]
        errors = [Fraction(row.error_um) for row in of_check if row.error_um is not None]
        found.append(
            CheckedGauge(
                check_id,
                f"{last.done_at.astimezone(UTC):%Y-%m}",
                last.done_at,
                last.gauge_serial,
                last.kind,
                last.occasion,
                all(within) if within else None,
                max(errors, key=abs, default=None),
            )
        )
    return tuple(sorted(found, key=lambda one: (one.done_at, one.check_id)))


def history_lines(history: History, zone: ZoneInfo, meant: str = "") -> list[str]:
    """Return *history* as lines: what was asked for and what it covers, the rows, the gauges' checks.

    *meant* is added where nothing matches: which days were asked for, or which locations there are.
    """
    lines = [f"selection: {history.selection}"]
    if not history.readings:
        return [*lines, f"no judged reading matches{meant}"]
    lines.append(
        f"{counted(history.inspections, 'inspection')} with {counted(history.readings, 'judged reading')}; "
        f"film build in {history.unit.symbol}; {_what_a_month_is(history)}"
    )
    rows = _month_cells(history) if history.months else _inspection_cells(history, zone)
    # Figures stand flush right: whatever comes behind the groups.
    lines += table(rows, range(rows[0].index("inspections" if history.months else "n"), len(rows[0])))
    if history.left_out:
        lines.append(
            f"the newest {history.inspections - history.left_out} of {history.inspections} inspections; --limit 0 shows all"
        )
    if history.checks:
        lines.append(
            "checks of the gauges from the one before these readings to the one after them, by the month in which they were done:"
        )
        lines += table(_check_cells(history), range(2, 6))
    return [line.replace(NBSP, " ") for line in [*lines, _trust(history)]]


def history_json(history: History) -> dict[str, Any]:
    """Return *history* as plain JSON; every value is in its unit, the errors of checks too."""
    unit = history.unit
    return {
        "selection": history.selection,
        "unit": unit.value,
        "month_is": MONTH_IS,
        "verified": history.verified,
        "trust": _trust(history),
        "per": list(history.per),
        "inspections": history.inspections,
        "readings": history.readings,
        "inspections_left_out": history.left_out,
        "rows": [_month_json(row, history) for row in history.months]
        + [_inspection_json(row, history) for row in history.single],
        "gauge_checks": [
            {
                "check_id": one.check_id,
                "month": one.month,
                "done_at": one.done_at.isoformat(timespec="seconds"),
                "gauge_serial": one.gauge_serial,
                "kind": one.kind,
                "occasion": one.occasion,
                "within": one.within,
                "largest_error": None if one.largest_error_um is None else float(from_um(one.largest_error_um, unit)),
            }
            for one in history.checks
        ],
    }


def _trust(history: History) -> str:
    if history.verified:
        return VERIFIED
    return AS_THE_FILES_STAND + (" at each plant" if history.plants else "")


def _what_a_month_is(history: History) -> str:
    return f"a month is that {MONTH_IS}" if history.months else "oldest first"


def _month_cells(history: History) -> list[list[str]]:
    head = ["month", *_heads(history), "inspections", "n", "mean", "sd", "p5", "p50", "p95", "outside"]
    return [head] + [
        [
            row.month,
            *_group(row.group),
            str(row.inspections),
            str(row.n),
            *_values([row.mean_um], history.unit),
            _deviation(row, history.unit),
            *_values([row.p5_um, row.p50_um, row.p95_um], history.unit),
            _outside(row),
        ]
        for row in history.months
    ]


def _inspection_cells(history: History, zone: ZoneInfo) -> list[list[str]]:
    # A part or lot that is grouped by stands with the groups, and not twice.
    facts = [(word, name) for word, name in (("part", "part_no"), ("lot", "lot")) if name not in history.per]
    head = ["taken", "inspection", *(word for word, _ in facts), *_heads(history)]
    head += ["n", "mean", "sd", "min", "max", "outside"]
    return [head] + [
        [
            moment(row.first_taken_at, zone),
            row.inspection_id + (f" r{row.revision}" if row.revision > 1 else ""),
            *_group([getattr(row, name) or None for _, name in facts]),
            *_group(row.group),
            str(row.n),
            *_values([row.mean_um], history.unit),
            _deviation(row, history.unit),
            *_values([row.min_um, row.max_um], history.unit),
            _outside(row),
        ]
        for row in history.single
    ]


def _check_cells(history: History) -> list[list[str]]:
    by_gauge: dict[tuple[str, str], list[CheckedGauge]] = defaultdict(list)
    for one in history.checks:
        by_gauge[one.month, one.gauge_serial].append(one)
    cells = [["month", "gauge", "verifications", "not within", "largest error", "other"]]
    for (month, gauge), checks in by_gauge.items():
        verified = [one for one in checks if one.kind == CheckKind.VERIFICATION]
        others = sorted({one.kind for one in checks if one.kind != CheckKind.VERIFICATION})
        errors = [one.largest_error_um for one in verified if one.largest_error_um is not None]
        cells.append(
            [
                month,
                gauge,
                str(len(verified)),
                str(sum(one.within is False for one in verified)),
                *_values([max(errors, key=abs, default=None)], history.unit),
                listed(others) or DASH,
            ]
        )
    return cells


def _heads(history: History) -> list[str]:
    return [_WORD_OF[column].replace("-", " ") for column in history.per]


def _group(group: Sequence[str | None]) -> list[str]:
    return [DASH if value is None else value for value in group]


def _values(values_um: Iterable[Any], unit: Unit) -> list[str]:
    return [figure(None if value is None else from_um(value, unit), PLACES[unit]) for value in values_um]


def _deviation(row: Statistics, unit: Unit) -> str:
    """Return the standard deviation with a place more than the values have."""
    return figure(None if row.sd_um is None else from_um(row.sd_um, unit), PLACES[unit] + 1)


def _outside(row: Statistics) -> str:
    """Return the share of the readings outside their limits, and of how many; a dash where there are no limits."""
    if not row.limited:
        return DASH
    # A share that is not nothing is never printed as nothing, nor one that is not all as all.
    share, places = Fraction(100 * row.outside, row.limited), 1
    while share not in (0, 100) and shown(share, places) in (0, 100):
        places += 1
    return f"{figure(share, places)} % of {row.limited}"


def _month_json(row: MonthSummary, history: History) -> dict[str, Any]:
    return {
        "month": row.month,
        **dict(zip(history.per, row.group, strict=True)),
        "inspections": row.inspections,
        **_statistics_json(row, history.unit),
        **{name: float(from_um(getattr(row, f"{name}_um"), history.unit)) for name in ("p5", "p50", "p95")},
    }


def _inspection_json(row: InspectionSummary, history: History) -> dict[str, Any]:
    facts = ("part_no", "lot", "customer", "powder", "powder_batch", "sprayer", "inspector", "rack", "rack_position")
    return {
        "inspection_id": row.inspection_id,
        "revision": row.revision,
        "month": row.month,
        "first_taken_at": row.first_taken_at.isoformat(timespec="milliseconds"),
        "last_taken_at": row.last_taken_at.isoformat(timespec="milliseconds"),
        **{name: getattr(row, name) for name in (*facts, "gauge_serial", "probe_mode")},
        **dict(zip(history.per, row.group, strict=True)),
        **_statistics_json(row, history.unit),
        "specification_unit": row.specification_unit,
        **{
            name: None if getattr(row, name) is None else float(getattr(row, name))
            for name in ("lower", "target_low", "target_high", "upper")
        },
    }


def _statistics_json(row: Statistics, unit: Unit) -> dict[str, Any]:
    return {
        "n": row.n,
        "mean": float(from_um(row.mean_um, unit)),
        "sd": None if row.sd_um is None else float(from_um(row.sd_um, unit)),
        "min": float(from_um(row.min_um, unit)),
        "max": float(from_um(row.max_um, unit)),
        "below": row.below,
        "above": row.above,
        "limited": row.limited,
        "outside_share": row.outside / row.limited if row.limited else None,
    }
