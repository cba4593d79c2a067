"""Does the archive still hold what was committed? Every file opened, every hash and chain followed.

It runs beside committing benches and a fold. What it looks for last is what it listed first: a commit that was listed is
in its file or, folded meanwhile, in a segment.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from archive import listing, stored
from archive.checking_commits import CONTRACTS, Examined, examined_single
from archive.checking_segments import ExaminedSegment, examined_segment
from archive.content import content_sha256
from archive.layout import (
    FOLDED_FOLDER,
    LOCK_PREFIX,
    TABLE_FOLDERS,
    TEMPORARY_PREFIX,
    is_month,
    parse,
    parse_segment,
)
from archive.ledger import NO_RECORD, heads_of, record_hash
from archive.listing import Stored
from archive.opening import Vanished
from archive.segments import Segment, names_of, segments
from archive.troubles import Kind, Link, Trouble
from archive.unpublished import standing_only_there, unpublished
from schemas.certificates import Certificate
from schemas.errors import BadInput, IntegrityFailed
from schemas.readings import READINGS

__all__ = ["Kind", "Trouble", "check"]


def check(root: Path, anchors: Sequence[str] = ()) -> list[Trouble]:
    """Return what is wrong with the archive at *root*, in the order found, or an empty list.

    Finds: files that are not whole or not of their table; rows that are not those that were
    committed; statistics in a file that would make a reader pass over its rows; segments whose files
    are not those that their manifests vouch for, and manifests that are gone; a commit that is folded
    and has a file of its own that says otherwise; a record that is
    not in its place in its bench's chain; commits missing from a chain; anything that an anchor
    knows otherwise; two files of the same revision; inspections that disagree with their readings;
    certificates of inspections that are not there; and files that do not belong.

    What no check can find from within: the last commits of a bench cut off, or rewritten with
    fitting hashes, where no anchor is given that was taken after them.

    Args:
        root: The archive's folder; one that does not exist is an empty archive.
        anchors: Ledger heads kept elsewhere. Those in the archive's certificates are always compared.

    Raises:
        BadInput: An anchor is not a ledger head, or a folder may not be read.
    """
    known = [heads_of(anchor, "the anchor") for anchor in anchors]
    # Before anything is listed: what stands in them is listed then, or it stands nowhere else.
    bare = {table: unpublished(root, table) for table in TABLE_FOLDERS}
    # Listed twice: whatever a file of the first listing follows, or knows of, was there before it, so
    # the second listing has it, even where a bench commits meanwhile. What came later is examined by
    # itself; its chain is a matter for the next check.
    first = _listed(root)
    singles = [one for table in TABLE_FOLDERS for one in _singles(root, table)]
    troubles = list(_strangers(root))
    looked = _look(root, singles, troubles)
    links = [one.link for one in looked if one.link is not None]
    certificates = [(one.one, row) for one in looked if _id(one.one) in first for row in one.certificates]
    found = [one.one for one in looked if not any(trouble.kind == "unexpected" for trouble in one.troubles)]
    chains = _chains(links)
    unread = {(one.name.bench, one.name.seq) for one in found} - {(x.record.bench, x.record.seq) for x in links}
    upto: dict[str, int] = defaultdict(int)
    for one in found:
        if _id(one) in first:
            upto[one.name.bench] = max(upto[one.name.bench], one.name.seq)
    for table in TABLE_FOLDERS:
        troubles += _bare(root, table, bare[table], links)
    troubles += _broken_chains(root, chains, unread, upto)
    troubles += _twice(found)
    for heads in known:
        troubles += _against(root, heads, "an anchor kept elsewhere", chains, unread)
    there = {(one.name.key, one.name.revision) for one in found if one.table == READINGS.name}
    for one, certificate in certificates:
        troubles += _certificate(root, one, certificate, chains, unread, there)
    return list(dict.fromkeys(troubles))


def _id(one: Stored) -> tuple[str, str]:
    return one.table, one.name.file_name


def _singles(root: Path, table: str) -> list[Stored]:
    return sorted(listing.singles(root, table), key=lambda one: one.name.file_name)


def _listed(root: Path) -> set[tuple[str, str]]:
    """Return which commits there are, by table and file name; a segment that cannot be read is passed over, and named later."""
    found: set[tuple[str, str]] = set()
    for table in TABLE_FOLDERS:
        found |= {_id(one) for one in listing.singles(root, table)}
        for segment in segments(root, table):
            try:
                found |= {(table, str(name)) for name in names_of(segment).column("file_name").to_pylist()}
            except IntegrityFailed:
                continue
    return found


# ---- every commit ---------------------------------------------------------------------------


def _look(root: Path, singles: list[Stored], troubles: list[Trouble]) -> list[Examined]:
    """Return what is found of each commit, once, wherever it stands, and add to *troubles* what is wrong."""
    looked: dict[tuple[str, str], Examined] = {}
    content: dict[tuple[str, str], str] = {}
    seen: set[Segment] = set()

    def look_into_segments() -> None:
        for table in TABLE_FOLDERS:
            # Until there is no other: a fold may publish one meanwhile, or another may take a segment's place.
            while others := [segment for segment in segments(root, table) if segment not in seen]:
                seen.update(others)
                for segment in others:
                    examined = examined_segment(segment)
                    if not examined.troubles or segment in segments(root, table):
                        add(examined)

    def add(examined: ExaminedSegment) -> None:
        troubles.extend(examined.troubles)
        for one in examined.commits:
            before = looked.get(_id(one.one))
            if before is not None and _same(before, one):
                continue  # folded since its own file was looked at, or by two folds at once
            troubles.extend(one.troubles)
            if before is not None:
                troubles.append(_differ(before.one, one.one))
                continue
            looked[_id(one.one)] = one.without_facts()
            if one.one.name.file_name in examined.content:
                content[_id(one.one)] = examined.content[one.one.name.file_name]

    look_into_segments()
    gone: list[tuple[Stored, str]] = []
    for one in singles:
        folded = looked.get(_id(one))
        try:
            if folded is None:
                single = examined_single(one)
                looked[_id(one)] = single.without_facts()
                troubles.extend(single.troubles)
            else:
                troubles.append(_beside(one, folded, content.get(_id(one))))
        except Vanished as vanished:
            if folded is None:
                gone.append((one, vanished.sentence))
    if gone:
        look_into_segments()
    for one, sentence in gone:
        if _id(one) not in looked:
            troubles.append(Trouble(one.path, "missing", sentence))
    return list(looked.values())


def _same(one: Examined, other: Examined) -> bool:
    return one.link is not None and other.link is not None and one.link.hash == other.link.hash and not other.troubles


def _beside(one: Stored, folded: Examined, content: str | None) -> Trouble:
    """Return what a person is told of the single file *one*, whose commit is folded as well.

    Raises:
        Vanished: The single file is gone.
    """
    try:
        text = stored.record_text_of_file(one.path)
        rows = content_sha256(stored.as_committed(one))
        same = folded.link is not None and record_hash(text) == folded.link.hash and rows == content
    except Vanished:
        raise
    except IntegrityFailed:
        same = False
    if same:
        return Trouble(
            one.path,
            "leftover",
            f"{one.path}: is folded already, into {folded.one.path}, and says the same; harmless, the next fold removes it",
        )
    return _differ(one, folded.one)


def _differ(one: Stored, other: Stored) -> Trouble:
    return Trouble(
        one.path,
        "changed",
        f"{one.where} and {other.where} are the same commit and say different things; one of the two was rewritten; "
        "restore it from a copy",
    )


# ---- what does not belong -------------------------------------------------------------------


def _strangers(root: Path) -> Iterator[Trouble]:
    for entry in _entries(root):
        if entry.name in TABLE_FOLDERS and entry.is_dir():
            for month in _entries(entry):
                if is_month(month.name) and month.is_dir():
                    yield from _strangers_in_month(month)
                else:
                    yield _stranger(month)
        elif entry.name == FOLDED_FOLDER and entry.is_dir():
            for table in _entries(entry):
                if table.name in TABLE_FOLDERS and table.is_dir():
                    yield from _strangers_among_segments(table)
                else:
                    yield _stranger(table)
        elif not (entry.name.startswith(LOCK_PREFIX) and entry.is_file()):
            yield _stranger(entry)


def _strangers_in_month(month: Path) -> Iterator[Trouble]:
    for entry in _entries(month):
        name = parse(entry.name)
        if entry.name.startswith(TEMPORARY_PREFIX):
            yield Trouble(
                entry,
                "leftover",
                f"{entry}: left by a commit that was cut short, before it counted; harmless, no reader sees it; "
                "it may be removed when nothing is committing",
            )
        elif name is None or (not entry.is_file() and os.path.lexists(entry)):  # one that was folded meanwhile is gone
            yield _stranger(entry)
        elif name.month != month.name:
            yield Trouble(
                entry,
                "unexpected",
                f"{entry}: by its name belongs to {name.month}; nobody commits so; move it back or away",
            )


def _strangers_among_segments(folder: Path) -> Iterator[Trouble]:
    for entry in _entries(folder):
        if entry.name.startswith(TEMPORARY_PREFIX):
            yield Trouble(
                entry,
                "leftover",
                f"{entry}: left by a fold that was cut short, or one is at work; harmless, no reader sees it; the next "
                "fold removes it",
            )
        elif parse_segment(entry.name) is None or (not entry.is_file() and os.path.lexists(entry)):
            yield _stranger(entry)


def _bare(root: Path, table: str, found: dict[Segment, list[Path]], links: list[Link]) -> Iterator[Trouble]:
    """Yield what a person is told of the files *found*, of segments that no manifest publishes."""
    for segment, paths in sorted(found.items(), key=lambda one: (one[0].month, one[0].id)):
        if segment in segments(root, table):
            continue
        elsewhere = [(link.hash, link.record) for link in links if link.record.table == table]
        try:
            lost = standing_only_there(CONTRACTS[table], segment, paths, elsewhere)
        except Vanished:
            continue
        except IntegrityFailed as wrong:
            yield Trouble(paths[0], "changed", wrong.sentence)
            continue
        if lost:
            yield Trouble(
                segment.manifest_path,
                "missing",
                f"{segment.manifest_path}: is gone, and what it published can no longer be shown: {', '.join(lost)}; "
                "restore it from a copy",
            )
            continue
        for path in paths:
            yield Trouble(
                path,
                "leftover",
                f"{path}: left by a fold that was cut short, or one is at work; harmless, all that it holds stands "
                "elsewhere; the next fold removes it",
            )


def _stranger(entry: Path) -> Trouble:
    return Trouble(entry, "unexpected", f"{entry}: does not belong in the archive; look what it is and move it away")


def _entries(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except FileNotFoundError:
        return []
    except PermissionError:
        raise BadInput(f"{folder}: this folder may not be read; ask whoever owns it") from None


# ---- the chains -----------------------------------------------------------------------------


def _chains(links: Iterable[Link]) -> dict[str, dict[int, list[Link]]]:
    chains: dict[str, dict[int, list[Link]]] = defaultdict(lambda: defaultdict(list))
    for link in links:
        chains[link.record.bench][link.record.seq].append(link)
    return chains


def _broken_chains(
    root: Path, chains: dict[str, dict[int, list[Link]]], unread: set[tuple[str, int]], upto: dict[str, int]
) -> Iterator[Trouble]:
    for bench, last in sorted(upto.items()):
        chain = chains.get(bench, {})
        gap: list[int] = []
        for seq in range(1, last + 2):
            if seq <= last and seq not in chain and (bench, seq) not in unread:
                gap.append(seq)
                continue
            if gap:
                yield _missing(root, bench, gap[0], gap[-1], "later ones are there")
                gap = []
        for seq, here in sorted(chain.items()):
            for other in here[1:]:
                yield Trouble(
                    other.path,
                    "fork",
                    f"{here[0].where} and {other.where} are both commit {seq} of bench {bench}: two computers use that "
                    "name, or an archive was brought back from a copy and gone on with; give each its own bench name",
                )
            for link in here:
                if seq == 1 and link.record.previous != NO_RECORD:
                    yield Trouble(
                        link.path,
                        "changed",
                        f"{link.where}: is the first commit of bench {bench}, and says that it follows another; "
                        "restore it from a copy",
                    )
                before = chain.get(seq - 1, [])
                if before and link.record.previous not in [one.hash for one in before]:
                    blamed = before[0]
                    yield Trouble(
                        blamed.path,
                        "changed",
                        f"{blamed.where}: is not the commit {seq - 1} of bench {bench} that commit {seq} followed "
                        f"({link.where}); one of the two was rewritten; restore it from a copy",
                    )


def _missing(root: Path, bench: str, first: int, last: int, why: str) -> Trouble:
    which = f"commit {first}" if first == last else f"commits {first} to {last}"
    verb = "is" if first == last else "are"
    return Trouble(root, "missing", f"{root}: {which} of bench {bench} {verb} missing ({why}); restore from a copy")


def _against(
    root: Path,
    heads: dict[str, tuple[int, str]],
    whose: str,
    chains: dict[str, dict[int, list[Link]]],
    unread: set[tuple[str, int]],
) -> Iterator[Trouble]:
    for bench, (seq, held) in sorted(heads.items()):
        here = chains.get(bench, {}).get(seq, [])
        if here and held not in [link.hash for link in here]:
            yield Trouble(
                here[0].path,
                "changed",
                f"{here[0].where}: is not the commit {seq} of bench {bench} that {whose} knows; restore it from a copy",
            )
        if not here and (bench, seq) not in unread:
            last = max([0, *chains.get(bench, {}), *(s for b, s in unread if b == bench)])
            first = last + 1 if last < seq else seq
            yield _missing(root, bench, first, seq, f"{whose} knows of commit {seq}")


def _certificate(
    root: Path,
    one: Stored,
    certificate: Certificate,
    chains: dict[str, dict[int, list[Link]]],
    unread: set[tuple[str, int]],
    there: set[tuple[str, int]],
) -> Iterator[Trouble]:
    name = f"certificate {certificate.number} revision {certificate.revision}"
    try:
        yield from _against(root, heads_of(certificate.ledger_head, one.where), name, chains, unread)
    except BadInput as wrong:
        yield Trouble(one.path, "changed", wrong.sentence)
    if (certificate.inspection_id, certificate.inspection_revision) not in there:
        yield Trouble(
            root,
            "missing",
            f"{root}: inspection {certificate.inspection_id} revision {certificate.inspection_revision} is missing "
            f"({name} states it); restore it from a copy",
        )


# ---- forks ----------------------------------------------------------------------------------


def _twice(found: Iterable[Stored]) -> Iterator[Trouble]:
    held: dict[tuple[str, str, int], list[Stored]] = defaultdict(list)
    for one in found:
        held[one.table, one.name.key, one.name.revision].append(one)
    for ones in held.values():
        for other in ones[1:]:
            yield Trouble(other.path, "fork", listing.fork_sentence(ones[0], other))
