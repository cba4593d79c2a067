"""The page of history as a file: what the archive is asked, and where the page is written."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from archive import query
from archive.as_written import demand_as_written
from archive.ledger import heads_of
from archive.questions import InspectionSummary, Selection, build_counts, inspection_summaries
from archive.shop_folder import ShopFolder
from archive.store import Archive
from archive.targets import demand_target, write_target
from report.figures import day
from report.history import SELECTED, checked_gauges
from report.history_facts import BY, COUNTED_BY, gauge_events, listed_inspections, part_histories
from report.history_page import HistoryPage, history_html
from report.outside_pictures import OutsidePicture, picture_of
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.units import Unit

#: Lines that the archive may answer for one page: locations times inspections. More would fill the memory, and a
#: month of each of so many parts is nothing that somebody reads.
MOST_ROWS: Final = 100_000
#: So long before the first reading checks are looked for; no policy lets one hold longer (common practice, no source).
_BEFORE: Final = timedelta(days=35)
#: How the name of a page ends.
PAGE: Final = (".html",)


def write_history_page(
    folder: ShopFolder,
    archive: Archive,
    selection: Selection,
    words: Sequence[tuple[str, str]],
    now: datetime,
    path: Path,
    unit: Unit | None = None,
    *,
    verified: bool = False,
    replace: bool = False,
) -> int:
    """Write the page of *selection* to *path* and return how many inspections it is made from; of none nothing is written.

    Certificates are links where the page lies in the shop folder.

    Args:
        folder: The shop's.
        archive: Its archive.
        selection: Which readings.
        words: The same for a reader, as :func:`asked` says it.
        now: When the page is made.
        path: Its file, which ends in .html.
        unit: Of all film builds; None for that of each part's specification.
        verified: Whether each file is compared with the hash that was written with it before it is asked.
        replace: Write over a file that is there.

    Raises:
        BadInput: *path* is none that may be written (archive/targets.py), or the selection is too large for a page.
        IntegrityFailed: A file of the archive is not whole, or not the one that was written.
    """
    demand_target(path, PAGE, replace=replace)
    found = history_of(folder, archive, selection, words, now, _seen_from(path, folder), unit, verified)
    if found.inspections:
        write_target(path, history_html(found).encode(), PAGE, replace=replace)
    return len(found.inspections)


def asked(selection: Selection, first: date | None, last: date | None) -> list[tuple[str, str]]:
    """Return what *selection* asks for as labels and texts; *first* and *last* are the days that were given."""
    said = [(word, value) for name, word in SELECTED.items() if (value := getattr(selection, name))]
    said += [("taken from", day(first))] if first is not None else []
    return said + ([("taken up to", day(last))] if last is not None else [])


def history_of(
    folder: ShopFolder,
    archive: Archive,
    selection: Selection,
    words: Sequence[tuple[str, str]],
    now: datetime,
    certificates: str | None,
    unit: Unit | None = None,
    verified: bool = False,
) -> HistoryPage:
    """Return what the page of *selection* shows; raises as :func:`write_history_page` does."""
    shop = folder.shop()
    zone = ZoneInfo(shop.time_zone)
    # Read before the rows, so that the page never claims a later archive than the one that it is made from.
    head = heads_of(archive.head(), "the archive")
    demand = demand_as_written() if verified else None
    summaries = _summaries(archive.root, selection, demand)
    counts = query.ask(archive.root, build_counts(selection, COUNTED_BY), demand=demand)
    gauges = {gauge for summary in summaries if (gauge := summary.group[BY.index("gauge_serial")]) is not None}
    checks = _checks(archive, summaries)
    record = cache(archive.inspection)
    listed = {summary.inspection_id for summary in summaries}

    def drawing(job: Job) -> OutsidePicture | None:
        return None if job.drawing is None else picture_of(folder.picture(job.drawing), f"drawings/{job.drawing}")

    return HistoryPage(
        shop=shop.name,
        zone=zone,
        selection=tuple(words),
        made_at=now,
        head=head,
        parts=part_histories(
            summaries,
            counts,
            gauge_events(checked_gauges(checks, gauges)),
            lambda key: Job.from_json(record(key).job_json),
            drawing,
            zone,
            unit,
        ),
        inspections=listed_inspections(summaries, archive.certificates(of=listed), record, _pdfs(folder.certificates)),
        certificates=certificates,
        verified=verified,
    )


def _summaries(root: Path, selection: Selection, demand: Callable[[Path], None] | None) -> list[InspectionSummary]:
    question = inspection_summaries(selection, BY)
    parts, rows = [], 0
    for part in query.parts(root, question, demand=demand):
        parts.append(part)
        rows += part.num_rows
        if rows > MOST_ROWS:
            raise BadInput(
                f"the selection is too large for a page: more than {MOST_ROWS} locations times inspections; name a part with "
                "--part, or a time with --from and --to"
            )
    return question.joined(parts)


def _checks(archive: Archive, summaries: Sequence[InspectionSummary]) -> list[GaugeCheck]:
    """Return the checks of the time of *summaries*, and of some time before, where the last check before them lies."""
    if not summaries:
        return []
    return archive.checks(since=min(summary.first_taken_at for summary in summaries) - _BEFORE)


def _seen_from(path: Path, folder: ShopFolder) -> str | None:
    """Return where the certificates lie seen from *path*, or None where the page lies outside the shop folder."""
    try:
        inside = path.parent.resolve().is_relative_to(folder.root.resolve())
    except OSError:
        return None
    return Path(os.path.relpath(folder.certificates.resolve(), path.parent.resolve())).as_posix() if inside else None


def _pdfs(folder: Path) -> frozenset[str]:
    try:
        return frozenset(os.listdir(folder))  # noqa: PTH208 - names are wanted, and no paths
    except OSError:
        return frozenset()
