"""Findings as the record of an inspection holds them: JSON."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from fractions import Fraction
from typing import Any, Final

from rules.verdict import Finding

#: Stands where the values among which a finding's own was found are put in. No name and no sentence has a NUL.
_MARK: Final = "\x00"
_FIELDS: Final = tuple(field.name for field in dataclasses.fields(Finding))


def findings_json(findings: Sequence[Finding]) -> str:
    """Return *findings* as JSON: numbers as text, exact."""
    plain = [_plain(finding) for finding in findings]
    text = plain_json(plain)
    mark = f'["{plain_json(_MARK)[1:-1]}"]'
    pieces = text.split(mark)
    if len(pieces) != len(findings) + 1:  # somebody has named a piece so
        for one, finding in zip(plain, findings, strict=True):
            one["among"] = list(finding.among)
        return plain_json(plain)
    texts = _Texts()
    among = [texts.of(finding.among) for finding in findings]
    return "".join([part for pair in zip(pieces, [*among, ""], strict=True) for part in pair])


def plain_json(value: Any) -> str:
    """Return *value* as JSON without blanks; what JSON does not know as text."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), default=_text)


def _plain(finding: Finding) -> dict[str, Any]:
    plain = {name: getattr(finding, name) for name in _FIELDS}
    plain["verdict"] = finding.verdict.name
    plain["among"] = (_MARK,)
    if finding.guard is not None:
        plain["guard"] = dataclasses.asdict(finding.guard)
    return plain


class _Texts:
    """The texts of values, made once for each object: many findings are among the same few values."""

    def __init__(self) -> None:
        self._numbers: dict[int, str] = {}
        self._last: tuple[tuple[Fraction, ...], str] = ((), "[]")

    def of(self, among: tuple[Fraction, ...]) -> str:
        # The lowest and the highest of a place are among the same values.
        if among is not self._last[0]:
            try:
                self._last = among, self._joined(among)
            except KeyError:
                self._numbers.update((id(number), f'"{number}"') for number in among)
                self._last = among, self._joined(among)
        return self._last[1]

    def _joined(self, among: tuple[Fraction, ...]) -> str:
        return f"[{','.join(map(self._numbers.__getitem__, map(id, among)))}]"


def _text(value: Any) -> str:
    return value.isoformat() if hasattr(value, "isoformat") else str(value)
