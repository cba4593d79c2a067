"""Amounts that a person tells on the command line: "1.5 um", "0.06 mil", "1 um + 1 %". Pure."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

from rules.party_readings import Accuracy
from schemas.errors import BadInput
from schemas.units import to_um, unit_of

_AMOUNT: Final = re.compile(r"([0-9]{1,5}(?:[.,][0-9]{1,6})?)\s*([^0-9\s.,+]+)")


def thickness_um(text: str, option: str, or_else: str = "") -> Decimal:
    """Return a thickness with its unit in µm.

    Raises:
        BadInput: It is none; the sentence starts with *option*.
    """
    match = _AMOUNT.fullmatch(text.strip())
    unit = unit_of(match.group(2)) if match else None
    if match is None or unit is None:
        also = f", {or_else}" if or_else else ""
        raise BadInput(f'{option} {text!r}: write it with its unit, as "1.5 um" or "0.06 mil"{also}')
    return to_um(Decimal(match.group(1).replace(",", ".")), unit)


def accuracy(text: str) -> Accuracy:
    """Return an accuracy statement: a thickness, a percentage of the reading, or both joined by a plus.

    Raises:
        BadInput: It is none.
    """
    um = percent = None
    for part in text.replace("±", "").split("+"):
        match = _AMOUNT.fullmatch(part.strip())
        if match is not None and match.group(2) == "%" and percent is None:
            percent = Decimal(match.group(1).replace(",", "."))
        elif match is not None and unit_of(match.group(2)) is not None and um is None:
            um = thickness_um(part, "--their-accuracy")
        else:
            raise BadInput(f'--their-accuracy {text!r}: write it as "1 um + 1 %", "1 um" or "2 %"')
    if not um and not percent:
        raise BadInput(f"--their-accuracy {text!r}: no gauge is without error; leave it out where none is known")
    return Accuracy(um or Decimal(0), percent or Decimal(0))
