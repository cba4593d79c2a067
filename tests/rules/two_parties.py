"""Small builders of two parties: invented, in a scenario of our own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

from rules.parties import Checked, Party, Result, Stated
from rules.results import GateState
from schemas.units import Unit

COVERED = Checked(GateState.COVERED, "opening and closing check passed")
UNKNOWN = Checked(None, "no check of its gauge is known here")


def result(*figures: str, u: str | None = "2", count: int | None = None, **more: Any) -> Result:
    """Return figures in µm with a stated U; limits and base as text."""
    for name in ("subtracted_um", "gauge_error_um", "lower_um", "upper_um"):
        if name in more:
            more[name] = Fraction(more[name])
    return Result(
        builds_um=tuple(Fraction(f) for f in figures),
        count=count or len(figures),
        terms=None if u is None else Stated(Decimal(u)),
        **more,
    )


def party(name: str, results: Mapping[str, Result | str | Sequence[str]], **more: Any) -> Party:
    """Return a party; a result may be given as its figures alone."""
    made = {
        place: r if isinstance(r, Result) else result(r) if isinstance(r, str) else result(*r)
        for place, r in results.items()
    }
    facts: dict[str, Any] = {"unit": Unit.UM, "unit_recorded": True, "checked": COVERED, "says_subtracted": True}
    return Party(name=name, results=made, **(facts | more))
