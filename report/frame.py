"""The frame of a signed file, by its bytes: which of them each signature covers, and that none is left over.

Every signature covers the file from its beginning to an end, but for a gap that holds the signature itself.
So the ends say in which order the signatures came, and the last one covers all that was added before it.
Nothing here believes a PDF library.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

from report.signature_bytes import as_written, loosely_held
from report.signature_fields import RELEASE_FIELD
from report.signatures import Kind, Signature
from schemas.errors import IntegrityFailed

_BYTE_RANGE: Final = re.compile(rb"/ByteRange\s*\[\s*(\d{1,10})\s+(\d{1,10})\s+(\d{1,10})\s+(\d{1,10})\s*\]")
_END: Final = re.compile(rb"%%EOF[\r\n]{0,2}")
_MOST_BYTES: Final = 200_000_000


@dataclass(frozen=True, slots=True)
class Frame:
    """What one signature covers: from 0 to gap, and from after to end."""

    gap: int
    after: int
    end: int


def frames_of(pdf: bytes) -> list[Frame]:
    """Return the frames of all signatures and time stamps in *pdf*, in the order in which they came.

    Raises:
        IntegrityFailed: It is no PDF, too large, not signed, or a signature does not say what it covers.
    """
    if not pdf.startswith(b"%PDF-"):
        raise IntegrityFailed("this is not a PDF; a certificate is the file NUMBER-rREVISION.pdf that the shop issued")
    if len(pdf) > _MOST_BYTES:
        raise IntegrityFailed(f"this PDF has {len(pdf)} bytes, which no certificate has")
    found = []
    for match in _BYTE_RANGE.finditer(pdf):
        start, gap, after, rest = (int(n) for n in match.groups())
        covered = match.end() <= gap or match.start() >= after
        if start != 0 or not covered or not 0 < gap < after <= after + rest <= len(pdf):
            raise IntegrityFailed("a signature in this PDF does not say which bytes it covers; the file was changed")
        found.append(Frame(gap, after, after + rest))
    if not found:
        raise IntegrityFailed(
            "this PDF is not signed, or its signature was destroyed; ask the shop for the certificate anew"
        )
    return sorted(found, key=lambda f: f.end)


def frame_fault(pdf: bytes, frames: Sequence[Frame], signatures: Sequence[Signature]) -> str | None:
    """Return in a sentence what is wrong with the frame, or None where nothing is.

    Args:
        pdf: The file.
        frames: Its frames, in order.
        signatures: What a PDF library found, one for each, in order.
    """
    first = signatures[0]
    if first.field != RELEASE_FIELD or not first.certifies:
        return "The first signature is not the one that releases the certificate and forbids changes."
    if any(s.certifies for s in signatures[1:]):
        return "There is a second certifying signature, where only one may be."
    locked = next((i for i, s in enumerate(signatures) if s.closes), None)
    if locked is not None and any(s.kind is Kind.APPROVAL for s in signatures[locked + 1 :]):
        return "Behind the approval that closed the certificate there is another one."
    if frames[-1].end != len(pdf):
        return f"{len(pdf) - frames[-1].end} bytes stand behind what the last signature covers; they were added afterwards."
    for frame, signature in zip(frames, signatures, strict=True):
        held = pdf[frame.gap : frame.after]
        if held[:1] != b"<" or held[-1:] != b">" or signature.end != frame.end:
            return "A signature does not cover the bytes around it."
        if not _written_as_ours(held[1:-1], signature, last=frame is frames[-1]):
            return "The signature's own bytes are not as they were written."
    return None


def _written_as_ours(digits: bytes, signature: Signature, *, last: bool) -> bool:
    """Return whether the hex digits of a signature are what they must be.

    They are outside of what it covers. What this program writes is rebuilt from what is protected, so any
    other digit is a change. Another program's signature is held to one DER value with zeros behind it.
    """
    rebuilt = as_written(signature.cms_der)
    if rebuilt is not None and digits == rebuilt.hex().upper().encode().ljust(len(digits), b"0"):
        return True
    if signature.kind is Kind.RELEASE:
        return False
    plain = signature.cms_der.hex().encode()
    return digits in (plain.ljust(len(digits), b"0"), plain.upper().ljust(len(digits), b"0"))


def frame_limits(signatures: Sequence[Signature]) -> list[str]:
    """Return in sentences what the frame cannot show of a file that is as it should be."""
    said = []
    later = signatures[-1]
    if later.kind is Kind.TIME_STAMP or later.time_stamp is not None:
        said.append(
            "Digits of the newest time stamp that nothing signs may differ; they say nothing of the certificate"
        )
    for signature in signatures:
        names = loosely_held(signature.cms_der)
        if names and signature is later:
            said.append(
                f"the authority's certificate of {' and of '.join(names)} came with the signature and is shown by nothing in this file"
            )
    return said


def issued_length(pdf: bytes, frames: Sequence[Frame], digests: Collection[str]) -> tuple[int, str] | None:
    """Return how many bytes of *pdf* are a file with one of the SHA-256 *digests*, and which; None where none is.

    An approval is written behind what was issued, byte by byte as it was. So what the register knows is the
    file up to one of its former ends, never before the end of what the release covers.
    """
    ends = {m.end() for m in _END.finditer(pdf, frames[0].end)} | {f.end for f in frames} | {len(pdf)}
    running, done = hashlib.sha256(), 0
    for end in sorted(ends):
        running.update(pdf[done:end])
        done = end
        if (digest := running.hexdigest()) in digests:
            return end, digest
    return None
