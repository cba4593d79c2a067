"""Names in the archive, built and taken apart. Pure: nothing here looks at a disk.

    readings/2026-11/20261103T091502123Z-bench1-00000042-20261103-091502-7KQ4-r1.parquet
    table    month   named at            bench  seq      key                  revision

    folded/readings/2026-09-0f3a51c2d4e6b788.parquet
           table    month   id          a segment: a month's commits in one file; beside it .records.parquet and .json

A commit's name is unique, and sorts by time. Bench and sequence number hold no hyphen and the
revision stands last, so a name comes apart in one way only, whatever hyphens its key holds.
A bench's names never step back in time: see :func:`name_time`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Final

from schemas.errors import BadInput

#: The tables that have a folder. An inspection's own row lies in the footer of its readings' file.
TABLE_FOLDERS: Final = ("readings", "gauge_checks", "certificates", "holds", "tombstones")
#: The folder of the months that were folded; in it a folder per table.
FOLDED_FOLDER: Final = "folded"
#: What a file that is still being written is called. pyarrow, like most readers, passes over names with a dot in front.
TEMPORARY_PREFIX: Final = ".writing-"
#: Prefix of a bench's lock file in the archive's root.
LOCK_PREFIX: Final = ".lock-"
#: The lock file of whoever folds; no bench's, since a bench's name holds no hyphen.
FOLD_LOCK: Final = LOCK_PREFIX + "one-fold"
#: How the three files of a segment end: its rows, the records of its commits, and the manifest that publishes both.
SEGMENT_ENDINGS: Final = (".parquet", ".records.parquet", ".json")

_BENCH = re.compile(r"[a-z0-9]{1,16}")
_KEY = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,79}")
_MONTH = re.compile(r"\d{4}-(?:0[1-9]|1[0-2])")
_NAME = re.compile(
    r"(?P<at>\d{8}T\d{9})Z-(?P<bench>[a-z0-9]{1,16})-(?P<seq>\d{8})"
    r"-(?P<key>[A-Za-z0-9][A-Za-z0-9-]{0,79})-r(?P<revision>[1-9]\d{0,8})\.parquet"
)
_SEGMENT = re.compile(
    r"(?P<month>\d{4}-(?:0[1-9]|1[0-2]))-(?P<id>[0-9a-f]{16})(?P<ending>\.parquet|\.records\.parquet|\.json)"
)
_STAMP_LENGTH: Final = len("20261103T091502123Z")
_ID_TIME = re.compile(r"(?P<at>\d{8}-\d{6})-[0-9A-Za-z]+")
#: The last sequence number that a name has room for.
_LAST_SEQ: Final = 99_999_999


@dataclass(frozen=True)
class CommitName:
    """The name of one commit's file.

    Attributes:
        at: Time in the name, UTC, whole milliseconds.
        bench: The bench that committed.
        seq: The commit's number in the bench's ledger, from 1.
        key: Inspection, check, or certificate number.
        revision: Revision of what the key names, from 1.
    """

    at: datetime
    bench: str
    seq: int
    key: str
    revision: int

    @cached_property
    def file_name(self) -> str:
        """Return the name of the file."""
        return f"{_stamp(self.at)}-{self.bench}-{self.seq:08d}-{self.key}-r{self.revision}.parquet"

    @property
    def month(self) -> str:
        """Return the name of the month folder that the file lies in."""
        return month_of(self.at)


def parse(file_name: str) -> CommitName | None:
    """Return what *file_name* says, or None where it is not a commit's name."""
    found = _NAME.fullmatch(file_name)
    if found is None or not file_name.isascii():
        return None
    try:
        at = _time_of(found["at"])
    except ValueError:  # the 31st of February
        return None
    seq = int(found["seq"])
    return CommitName(at, found["bench"], seq, found["key"], int(found["revision"])) if seq else None


def is_commit(file_name: str, month: str) -> bool:
    """Return whether *file_name* is a commit's of *month*, at a fraction of what :func:`parse` costs."""
    return file_name[:6] == month[:4] + month[5:] and file_name.isascii() and _NAME.fullmatch(file_name) is not None


def parse_segment(file_name: str) -> tuple[str, str, str] | None:
    """Return month, id and ending of a segment's file, or None where *file_name* is not one's."""
    found = _SEGMENT.fullmatch(file_name)
    return None if found is None or not file_name.isascii() else (found["month"], found["id"], found["ending"])


def key_and_revision(file_name: str) -> str:
    """Return the end of a commit's name: its key and its revision, as ``20261103-091502-7KQ4-r1.parquet``."""
    return file_name.split("-", 3)[3]


def is_month(folder_name: str) -> bool:
    """Return whether *folder_name* is a month folder's."""
    return folder_name.isascii() and _MONTH.fullmatch(folder_name) is not None


def of_bench(file_names: Iterable[str], bench: str) -> list[str]:
    """Return those of *file_names* that are, if they are a commit's name at all, one of *bench*."""
    mark = f"-{bench}-"
    return [name for name in file_names if name.startswith(mark, _STAMP_LENGTH) and name.endswith(".parquet")]


def needle(key: str, revision: int | None = None) -> str:
    """Return what the names of *key*'s files hold; a name that holds it may still be another key's."""
    return f"-{key}-r" if revision is None else f"-{key}-r{revision}."


def first_month(key: str) -> str:
    """Return the earliest month that can hold a commit of *key*.

    An inspection's identity starts with the UTC time of its start, and no commit is named with an
    earlier time than its key (:func:`name_time`). A key without a time may lie anywhere: "".
    """
    at = id_time(key)
    return "" if at is None else month_of(at)


def month_of(at: datetime) -> str:
    """Return the month of *at* in UTC, as 2026-11."""
    utc = at.astimezone(UTC)
    return f"{utc.year:04d}-{utc:%m}"  # strftime leaves out a year's leading zeros on some systems


def id_time(key: str) -> datetime | None:
    """Return the UTC time that *key* starts with, or None where it starts with none."""
    found = _ID_TIME.fullmatch(key)
    if found is None:
        return None
    at = found["at"]
    try:
        # Cut up by hand, as in _time_of.
        day, clock = (int(at[:4]), int(at[4:6]), int(at[6:8])), (int(at[9:11]), int(at[11:13]), int(at[13:]))
        return datetime(*day, *clock, tzinfo=UTC)
    except ValueError:
        return None


def name_time(at: datetime, key: str, last: CommitName | None, not_before: datetime | None = None) -> datetime:
    """Return the time for the name of a commit made at *at*, whole milliseconds.

    It is *at*, unless that lies before the bench's last commit, the time in *key*, or *not_before*:
    then a clock was set back, and the latest of those times is taken. So names keep the order in
    which a bench committed, and a look-up by month never misses. The ledger's record keeps *at*.

    Raises:
        BadInput: A time has no time zone.
    """
    times = [_whole_ms(at)]
    if not_before is not None:
        times.append(_whole_ms(not_before))
    if (started := id_time(key)) is not None:
        times.append(started)
    if last is not None:
        times.append(last.at)
    return max(times)


def next_seq(last: CommitName | None, bench: str) -> int:
    """Return the sequence number that follows *last*.

    Raises:
        BadInput: The bench has used up its numbers.
    """
    if last is not None and last.seq >= _LAST_SEQ:
        raise BadInput(f"bench {bench!r} has made {_LAST_SEQ} commits, as many as one bench may; give it a new name")
    return 1 if last is None else last.seq + 1


def ranges(seqs: Iterable[int]) -> str:
    """Return the sequence numbers *seqs*, ascending, in words: 3, 5 to 9."""
    runs: list[list[int]] = []
    for seq in seqs:
        if runs and seq == runs[-1][1] + 1:
            runs[-1][1] = seq
        else:
            runs.append([seq, seq])
    return ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in runs)


def checked_bench(bench: str) -> str:
    """Return *bench*.

    Raises:
        BadInput: It is not 1 to 16 of a-z and 0-9.
    """
    if not _BENCH.fullmatch(bench):
        raise BadInput(f"the bench is called {bench!r}; give it 1 to 16 small letters a to z and digits")
    return bench


def checked_key(kind: str, key: str) -> str:
    """Return *key*, which names a *kind*.

    Raises:
        BadInput: It holds what a file name's key may not.
    """
    if not _KEY.fullmatch(key):
        raise BadInput(
            f"the {kind} is called {key!r}; give it at most 80 letters A to Z, digits and hyphens, not a hyphen first"
        )
    return key


def checked_revision(kind: str, key: str, revision: int) -> int:
    """Return *revision* of the *kind* named *key*.

    Raises:
        BadInput: It is not 1 to 999,999,999.
    """
    if not 1 <= revision <= 999_999_999:
        raise BadInput(f"{kind} {key}: revision {revision} cannot be; revisions count from 1")
    return revision


def _stamp(at: datetime) -> str:
    return f"{at.year:04d}{at:%m%dT%H%M%S}{at.microsecond // 1000:03d}Z"


def _time_of(at: str) -> datetime:
    # Cut up by hand: strptime takes ten times as long, and a look at all inspections comes here for each.
    day, clock = (int(at[:4]), int(at[4:6]), int(at[6:8])), (int(at[9:11]), int(at[11:13]), int(at[13:15]))
    return datetime(*day, *clock, int(at[15:]) * 1000, tzinfo=UTC)


def _whole_ms(at: datetime) -> datetime:
    if at.tzinfo is None:
        raise BadInput(f"the time of the commit, {at.isoformat()}, has no time zone; give it its zone")
    utc = at.astimezone(UTC)
    return utc.replace(microsecond=utc.microsecond // 1000 * 1000)
