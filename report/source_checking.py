"""Do the captures and the sealed journals beside the archive still stand as each inspection was sealed from them?

A kept capture is called by the hash of its bytes, so it speaks for itself. An inspection's record holds the hash of all that
came (``capture_sha256``), in the order in which its journal has it: the captures taken, and the bytes of every line. Every
edition kept the journal of each inspection, typed or not; a removal takes both away, with the inspection.
"""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final

from archive.checking import Trouble
from archive.journal_lines import came_in, captures_in, read
from archive.shop_folder import ShopFolder
from schemas.errors import IntegrityFailed

_CHUNK_BYTES: Final = 1 << 20
_SHA256: Final = re.compile(r"[0-9a-f]{64}")
#: So many inspections are named in a sentence.
_NAMED: Final = 3


def source_troubles(folder: ShopFolder, sealed: Mapping[str, str], removed: Collection[str]) -> list[Trouble]:
    """Return what is gone or changed of the captures and sealed journals of a shop, or an empty list.

    Args:
        folder: The shop's folder.
        sealed: By inspection in the archive, the SHA-256 in hex of all that came.
        removed: Inspections whose removal was ordered: theirs go with them.
    """
    faults = {sha256: _fault(_capture(folder, sha256)) for sha256 in _kept(folder)}
    taken: dict[str, list[str]] = defaultdict(list)
    troubles, gone = [], []
    for inspection_id in sorted(sealed.keys() - set(removed)):
        path = _journal(folder, inspection_id)
        try:
            content = read(path)
            captures = captures_in(content.records)
            agrees = not content.torn and all(_SHA256.fullmatch(one) for one in captures)
            for one in dict.fromkeys(captures) if agrees else ():
                taken[one].append(inspection_id)
            # Where a capture is gone or changed, that is the trouble, and it is named.
            if agrees and all(one in faults and faults[one] is None for one in captures):
                agrees = _sha256(folder, came_in(content.records)) == sealed[inspection_id]
        except FileNotFoundError:
            # One that a kill kept among the open ones is put away by the next seal.
            if not (folder.journals / path.name).exists():
                gone.append(inspection_id)
            continue
        except OSError as wrong:
            troubles.append(Trouble(path, "changed", f"{path}: {_unreadable(wrong)}"))
            continue
        except IntegrityFailed as wrong:
            troubles.append(Trouble(path, "changed", wrong.sentence))
            continue
        except (ValueError, KeyError, TypeError):  # whole lines, and none that were ever written
            agrees = False
        if not agrees:
            sentence = (
                f"{path}: is not the journal from which inspection {inspection_id} was sealed; restore it from a copy"
            )
            troubles.append(Trouble(path, "changed", sentence))
    return [*troubles, *_gone(folder, gone), *_captures(folder, faults, taken)]


def _kept(folder: ShopFolder) -> list[str]:
    return sorted(path.stem for path in folder.captures.glob("*.capture"))


def _journal(folder: ShopFolder, inspection_id: str) -> Path:
    return folder.journals / "sealed" / f"{inspection_id}.journal"


def _capture(folder: ShopFolder, sha256: str) -> Path:
    return folder.captures / f"{sha256}.capture"


def _gone(folder: ShopFolder, gone: list[str]) -> Iterator[Trouble]:
    where = folder.journals / "sealed"
    if len(gone) > 1 and not any(where.glob("*.journal")):
        # An archive that was copied without what lies beside it: one cause, so one sentence.
        yield Trouble(
            where,
            "missing",
            f"{where}: holds no journal at all, and {len(gone)} inspections of the archive were sealed from journals that lay "
            "there, so their captures cannot be told either; restore journals and captures from a copy",
        )
        return
    for inspection_id in gone:
        path = _journal(folder, inspection_id)
        sentence = f"{path}: inspection {inspection_id} was sealed from this journal, and it is not there; restore it from a copy"
        yield Trouble(path, "missing", sentence)


def _captures(
    folder: ShopFolder, faults: Mapping[str, str | None], taken: Mapping[str, list[str]]
) -> Iterator[Trouble]:
    for sha256 in sorted(faults.keys() | taken.keys()):
        path = _capture(folder, sha256)
        if sha256 not in faults:
            sentence = f"{path}: this capture{_of(taken[sha256])} is not there; restore it from a copy"
            yield Trouble(path, "missing", sentence)
        elif (fault := faults[sha256]) is not None:
            yield Trouble(path, "changed", f"{path}: this capture{_of(taken.get(sha256, []))} {fault}")


def _fault(path: Path) -> str | None:
    """Return what is wrong with a kept capture, as the end of a sentence, or None."""
    try:
        found = _sha256_of(path)
    except OSError as wrong:
        return _unreadable(wrong)
    return None if found == path.stem else "is not what it was when it was taken; restore it from a copy"


def _unreadable(wrong: OSError) -> str:
    return f"cannot be read ({wrong.strerror}); ask whoever looks after this disk"


def _of(inspections: list[str]) -> str:
    if not inspections:
        return ""
    more = f" and {len(inspections) - _NAMED} more" if len(inspections) > _NAMED else ""
    return f" of inspection{'s' if len(inspections) > 1 else ''} {', '.join(inspections[:_NAMED])}{more}"


def _sha256(folder: ShopFolder, came: Iterable[bytes | str]) -> str:
    """Return the hash of all that came, whose captures are there and sound."""
    known = hashlib.sha256()
    for one in came:
        for chunk in [one] if isinstance(one, bytes) else _chunks(_capture(folder, one)):
            known.update(chunk)
    return known.hexdigest()


def _sha256_of(path: Path) -> str:
    known = hashlib.sha256()
    for chunk in _chunks(path):
        known.update(chunk)
    return known.hexdigest()


def _chunks(path: Path) -> Iterator[bytes]:
    if path.exists() and not path.is_file():  # a pipe would be waited for
        raise IsADirectoryError(21, "is no file")
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK_BYTES):
            yield chunk
