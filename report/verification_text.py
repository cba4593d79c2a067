"""A verification as lines of plain text. Pure; apart from the other texts, since nobody else needs what draws and signs."""

from __future__ import annotations

from report.signatures import Kind
from report.verifying import VerificationReport
from rules.verdict import Verdict


def verification_lines(found: VerificationReport) -> list[str]:
    """Return a verification as lines: one per part, then every approval in its words, and what the certificate states."""
    words = {Verdict.PASS: "holds", Verdict.UNDECIDED: "not shown", Verdict.FAIL: "REFUSED"}
    width = max(len(p.name) for p in found.parts)
    called = [p.called or words[p.verdict] for p in found.parts]
    wide = max(9, *map(len, called))
    lines = [f"{p.name:<{width}}  {word:<{wide}}  {p.sentence}" for p, word in zip(found.parts, called, strict=True)]
    for one in found.signatures:
        if one.kind == Kind.APPROVAL.value:
            when = (
                "at no time that it says"
                if one.claimed_at is None
                else f"at {one.claimed_at[:16].replace('T', ' ')} UTC"
            )
            said = f'in the words: "{one.meaning}"' if one.meaning else "without a word of what it means"
            lines.append(f"approval by {one.holder}, {when} by that signer's clock, {said}")
    lines += [f"note: {note}" for note in found.notes]
    if found.number is not None:
        lines.append(f"certificate {found.number}, states: {found.states}")
    return [line.replace("\u00a0", " ") for line in lines]
