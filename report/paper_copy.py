"""From the short code of a paper copy to the register: what was issued under it, and whether its file still stands."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from report.figures import VERDICT_WORDS, moment
from report.short_code import parsed
from report.verifying import only_approved_since
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.errors import BadInput, IntegrityFailed


class File(Enum):
    """What became of a certificate's PDF."""

    AS_ISSUED = "byte for byte as it was issued"
    APPROVED = "as it was issued, with approvals behind it; verify it to see whose"
    MISSING = "is not there; restore it from a copy"
    CHANGED = "is not the file that was issued; restore it from a copy"


@dataclass(frozen=True, slots=True)
class PaperCopy:
    """What the register knows of a code.

    Attributes:
        entry: The certificate.
        newest: The newest revision of it; *entry* itself where nothing supersedes it.
        path: Where its PDF should be.
        file: What became of that.
    """

    entry: Certificate
    newest: Certificate
    path: Path
    file: File

    @property
    def is_superseded(self) -> bool:
        """Return whether a later revision takes its place."""
        return self.newest.revision > self.entry.revision

    @property
    def exit_code(self) -> int:
        """Return 0 for the last word, conforming and with its file; 4 for a file that was changed; 1 for the rest."""
        if self.file is File.CHANGED:
            return IntegrityFailed.exit_code
        stands = not self.is_superseded and self.entry.verdict == Verdict.PASS.name and self.file is not File.MISSING
        return int(not stands)


#: What the QR holds where the shop names no address (report/view.py): number, revision, code.
_QR_WORDS: Final = 3
_REVISION: Final = re.compile(r"[rR]([0-9]{1,6})")
_GROUP: Final = 4
_WORDS: Final = {verdict.name: str(word) for verdict, word in VERDICT_WORDS.items()}


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody read from paper: the code, and the number and revision where the QR said those too."""

    code: str
    number: str | None = None
    revision: int | None = None


def asked(written: str) -> Asked:
    """Return what a person typed or a reader read: a code, in groups or not, or what the QR holds, NUMBER rREVISION CODE.

    Raises:
        BadInput: It is no code, or was mistyped.
    """
    words = written.split()
    # A code in groups with blanks between them has a number that is no number of a certificate: at most four characters.
    if len(words) == _QR_WORDS and (revision := _REVISION.fullmatch(words[1])) is not None and len(words[0]) > _GROUP:
        return Asked(parsed(words[2]), words[0], int(revision[1]))
    return Asked(parsed(written))


def paper_copies(written: str, register: Sequence[Certificate], certificates: Path) -> list[PaperCopy]:
    """Return what was issued under the code that a person *written*: one certificate, but for a chance of 1 in 2^55.

    Args:
        written: The code as it was read from paper, or what its QR holds.
        register: The shop's register.
        certificates: The folder of its PDFs.

    Raises:
        BadInput: It is no code, or was mistyped; or the PDF may not be read.
        IntegrityFailed: No certificate with it was issued, or it is that of another number or revision than the QR says.
    """
    wanted = asked(written)
    code = wanted.code
    found = [entry for entry in register if entry.code == code]
    if not found:
        before = sum(entry.code is None for entry in register)
        older = f"; {before} certificates of this shop are from before there were codes" if before else ""
        raise IntegrityFailed(
            f"code {code}: no certificate with it is in this shop's register; read it again, and where it is printed so, "
            f"the paper is no copy of a certificate that this shop issued{older}"
        )
    if wanted.number is not None:
        entry = found[0]
        found = [e for e in found if (e.number, e.revision) == (wanted.number, wanted.revision)]
        if not found:
            raise IntegrityFailed(
                f"code {code}: it is that of certificate {entry.number} revision {entry.revision}, and the paper says "
                f"{wanted.number} revision {wanted.revision}; it is no copy of a certificate that this shop issued"
            )
    return [_copy(entry, register, certificates) for entry in found]


def _copy(entry: Certificate, register: Sequence[Certificate], certificates: Path) -> PaperCopy:
    newest = max((c for c in register if c.number == entry.number), key=lambda c: c.revision)
    path = certificates / entry.pdf_name
    return PaperCopy(entry, newest, path, _file(path, entry.pdf_sha256))


def _file(path: Path, pdf_sha256: str) -> File:
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return File.MISSING
    except OSError as wrong:
        raise BadInput(f"{path}: cannot be read ({wrong.strerror}); ask whoever looks after this disk") from None
    if hashlib.sha256(content).hexdigest() == pdf_sha256:
        return File.AS_ISSUED
    return File.APPROVED if only_approved_since(content, pdf_sha256) else File.CHANGED


def paper_copy_lines(copy: PaperCopy, zone: ZoneInfo) -> list[str]:
    """Return a paper copy as lines for a person."""
    entry, newest = copy.entry, copy.newest
    standing = "the newest revision"
    if copy.is_superseded:
        standing = (
            f"superseded by revision {newest.revision} of {moment(newest.issued_at, zone)}: {newest.superseded_why}"
        )
    rows = [
        ("customer", entry.customer),
        ("part", entry.part_no),
        ("lot", entry.lot),
        ("issued", f"{moment(entry.issued_at, zone)}, released by {entry.signer}"),
        ("states", _WORDS[entry.verdict]),
        ("deviation", entry.deviation),
        ("standing", standing),
        ("file", f"{copy.path}: {copy.file.value}"),
    ]
    lines = [f"code {entry.code}: certificate {entry.number}, revision {entry.revision}"]
    lines += [f"  {label:<9}  {text}" for label, text in rows if text]
    return [str(line).replace("\u00a0", " ") for line in lines]


def paper_copy_json(copy: PaperCopy) -> dict[str, Any]:
    """Return a paper copy as plain JSON."""
    entry = copy.entry
    return {
        "code": entry.code,
        "number": entry.number,
        "revision": entry.revision,
        "customer": entry.customer,
        "part_no": entry.part_no,
        "lot": entry.lot,
        "issued_at": entry.issued_at.isoformat(),
        "signer": entry.signer,
        "states": _WORDS[entry.verdict],
        "deviation": entry.deviation,
        "superseded_by": copy.newest.revision if copy.is_superseded else None,
        "superseded_why": copy.newest.superseded_why if copy.is_superseded else None,
        "pdf": str(copy.path),
        "pdf_sha256": entry.pdf_sha256,
        "file": copy.file.name.lower().replace("_", " "),
    }
