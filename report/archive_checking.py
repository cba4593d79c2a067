"""Does the archive hold what was committed, and do the certificates, captures and journals beside it stand as it has them?

The register names every certificate and the hash of its file, so a PDF that is gone or was changed is found from there. The
other way round each certificate is a witness: it holds the head of the ledger as of its issue.
"""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import Final

from archive.checking import Trouble
from archive.layout import TEMPORARY_PREFIX
from archive.shop_folder import ShopFolder
from archive.store import Archive
from archive.tombstones import removed_words
from report.source_checking import source_troubles
from report.trust import Trust
from report.verifying import issued_as, ledger_head_of, only_approved_since, removed_as, verify
from rules.verdict import Verdict
from schemas.certificates import Certificate
from schemas.errors import BadInput, FilmtallyError, IntegrityFailed
from schemas.readings import READINGS
from schemas.tombstones import Tombstone

#: So far into a file readers of PDF look for its beginning (common practice, no source).
_PDF_BEGINS_WITHIN: Final = 1024


def troubles_of(folder: ShopFolder, archive: Archive, anchors: Sequence[Path], trust: Trust) -> list[Trouble]:
    """Return what is wrong with a shop's archive and with what lies beside it, or an empty list.

    Args:
        folder: The shop's folder.
        archive: Its archive.
        anchors: Certificates that somebody else kept.
        trust: Whose signatures on those are the shop's.

    Raises:
        BadInput: An anchor cannot be read.
        IntegrityFailed: An anchor does not hold, or is not of this shop.
    """
    kept = [(path, _anchor(path, trust)) for path in anchors]
    heads = [ledger_head_of(path) for path in anchors]
    own = _own(folder.certificates)
    for path in own:
        try:
            # The shop's own certificates are witnesses as good as a customer's.
            heads.append(ledger_head_of(path))
        except FilmtallyError:
            continue  # no witness; where it was changed, it is named below
    troubles = archive.check(heads)
    try:
        register = archive.certificates()
        sealed = {i.inspection_id: i.capture_sha256 for i in archive.inspections()}
        tombstones = archive.tombstones()
    except IntegrityFailed as wrong:
        # What is damaged is named already; it hides nothing else.
        beside = (
            f"{folder.certificates}: not compared with the register, since the archive cannot be read: {wrong.sentence}"
        )
        return [*troubles, Trouble(folder.certificates, "changed", beside)]
    for path, pdf in kept:
        if issued_as(pdf, register) is not None:
            continue
        if (gone := removed_as(pdf, tombstones)) is not None:
            sentence = (
                f"{path}: this shop issued this certificate, {gone.key} revision {gone.revision}, and its entry in the register "
                f"was {removed_words(gone)}; nothing is lost"
            )
            troubles.append(Trouble(path, "removed", sentence))
        else:
            sentence = f"{path}: this shop issued this certificate, and the register has lost it; restore the archive from a copy"
            troubles.append(Trouble(path, "missing", sentence))
    journals = sorted((folder.journals / "sealed").glob("*.journal"))
    if (own or journals) and archive.is_empty():
        # Each of them by itself would look like one that a kill kept from the register.
        sentence = (
            f"{archive.root}: has no commit at all, and {_count(own, 'certificate')} and "
            f"{_count(journals, 'sealed journal')} lie beside it: the archive is gone; restore it from a copy "
            "before anything else is done here"
        )
        return [Trouble(archive.root, "missing", sentence), *troubles]
    return [
        *troubles,
        *_pdfs(folder.certificates, own, register, tombstones),
        *_journals(journals, sealed, tombstones),
        *source_troubles(folder, sealed, {one.key for one in tombstones if one.removed_table == READINGS.name}),
        *_removed(archive.root, [c for c in register if c.inspection_id not in sealed], tombstones),
    ]


def _anchor(path: Path, trust: Trust) -> bytes:
    """Return the certificate at *path*, which this shop released and nobody changed."""
    try:
        content = path.read_bytes()
    except OSError as wrong:
        raise BadInput(f"--anchor {path}: cannot be read ({wrong.strerror}); name a certificate's PDF") from None
    if b"%PDF-" not in content[:_PDF_BEGINS_WITHIN]:
        raise BadInput(f"--anchor {path}: is no PDF; name a certificate's PDF")
    try:
        found = verify(content, trust)
    except FilmtallyError as wrong:
        raise type(wrong)(f"--anchor {path}: {wrong.sentence}") from None
    broken = next((p for p in found.parts if p.verdict is Verdict.FAIL), None)
    if broken is not None:
        raise IntegrityFailed(f"--anchor {path}: {broken.sentence} Nothing is checked against it")
    # A customer's approval may stand behind the release, and nobody here has to know that key.
    known = next(p.verdict is Verdict.PASS for p in found.parts if p.name == "signer known")
    if not known and found.signatures[0].key_sha256 not in trust.fingerprints:
        raise IntegrityFailed(
            f"--anchor {path}: {found.signatures[0].holder} signed it with a key that this shop does not know; name a "
            "certificate that this shop issued, or its signer's certificate with --trust"
        )
    return content


def _own(certificates: Path) -> list[Path]:
    """Return the PDFs in the place of certificates: neither what was moved aside nor what a kill left half written."""
    return [
        path
        for path in sorted(certificates.glob("*-r*.pdf"))
        if ".unregistered-" not in path.name and not path.name.startswith(TEMPORARY_PREFIX)
    ]


def _pdfs(
    certificates: Path, own: Sequence[Path], register: Sequence[Certificate], tombstones: Iterable[Tombstone]
) -> list[Trouble]:
    troubles = []
    entries = {c.pdf_name: c for c in register}
    dead = {one.pdf_name: one for one in tombstones}
    for path in own:
        if path.name not in entries and path.name in dead:
            troubles.append(_still_there(path, dead[path.name]))
        elif path.name not in entries:
            sentence = (
                f"{path}: was signed and never registered (a kill or a full disk came in between); certify again moves it "
                "aside. Where it was given out already the register has lost it: then restore the archive from a copy"
            )
            troubles.append(Trouble(path, "missing", sentence))
    for name, entry in sorted(entries.items()):
        path = certificates / name
        what = f"certificate {entry.number} revision {entry.revision}"
        try:
            if not stat.S_ISREG(path.stat().st_mode):
                sentence = f"{path}: is no file, and the register has {what} there; restore it from a copy"
                troubles.append(Trouble(path, "changed", sentence))
                continue
            pdf = path.read_bytes()
        except FileNotFoundError:
            sentence = f"{path}: {what} is in the register and its PDF is not there; restore it from a copy"
            troubles.append(Trouble(path, "missing", sentence))
        except OSError as wrong:
            sentence = f"{path}: cannot be read ({wrong.strerror}); ask whoever looks after this disk"
            troubles.append(Trouble(path, "changed", sentence))
        else:
            if hashlib.sha256(pdf).hexdigest() != entry.pdf_sha256 and not only_approved_since(pdf, entry.pdf_sha256):
                sentence = f"{path}: is not the certificate that was issued; restore it from a copy"
                troubles.append(Trouble(path, "changed", sentence))
    return troubles


def _count(ones: Sequence[Path], what: str) -> str:
    return f"{len(ones)} {what}{'' if len(ones) == 1 else 's'}"


def _journals(journals: Iterable[Path], sealed: Collection[str], tombstones: Iterable[Tombstone]) -> list[Trouble]:
    dead = {one.inspection_id: one for one in tombstones}
    return [
        _still_there(journal, dead[journal.stem])
        if journal.stem in dead
        else Trouble(
            journal,
            "missing",
            f"{journal}: was sealed, and the archive has no such inspection; restore the archive from a copy",
        )
        for journal in journals
        if journal.stem not in sealed
    ]


def _still_there(path: Path, tombstone: Tombstone) -> Trouble:
    sentence = (
        f"{path}: is still there, and {tombstone.by} ordered its removal on {tombstone.removed_at:%Y-%m-%d} "
        f"({tombstone.removal_id}); the removal was cut short; finish it with 'filmtally archive retain --remove'"
    )
    return Trouble(path, "leftover", sentence)


def _removed(root: Path, register: Iterable[Certificate], tombstones: Iterable[Tombstone]) -> list[Trouble]:
    """Return what is told of certificates whose inspection was removed: the register keeps what they state."""
    dead = {(one.key, one.revision): one for one in tombstones if one.removed_table == READINGS.name}
    return [
        Trouble(
            root,
            "removed",
            f"certificate {entry.number} revision {entry.revision}: inspection {entry.inspection_id} revision "
            f"{entry.inspection_revision} was removed on {gone.removed_at:%Y-%m-%d} by {gone.by} ({gone.reason}); what it "
            "states stands in the certificate alone",
        )
        for entry in register
        if (gone := dead.get((entry.inspection_id, entry.inspection_revision))) is not None
    ]
