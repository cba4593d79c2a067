"""Warnings at job set-up: a window that is narrower than the shop's own spread can hold.

A window is what lies between the limits of a location, less the guard band on each side. With the shop's own
standard deviation s, the mean and three s on each side do not fit in a window under 6 s, not even centred
(from the definition; the share outside is that of a normal spread). Without one, a trade-magazine consultant's
figure stands in: about ±12 µm, held on flat and easy parts with great care, more on shaped parts (read: Film
Thickness Tolerance, Products Finishing).
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.distributions import normal_cdf
from rules.rounding import shown
from rules.sentence import Figures, joined, said, template
from rules.wording import amount, as_written, percent, with_unit
from schemas.job import Job, Location
from schemas.units import Unit, exact_um

#: Fewer readings than this give no standard deviation to plan with (common practice, no source).
LEAST_READINGS: Final = 25
#: What is held on flat and easy parts with great care, from end to end (read, see the module).
CAREFUL_WINDOW_UM: Final = Decimal(24)
_DEVIATIONS: Final = 6


def window_warnings(
    job: Job, spreads: Mapping[str, tuple[Decimal, int]], *, guards: Mapping[str, Fraction] | None = None
) -> list[str]:
    """Return a sentence for each location whose window is narrower than can be expected to be held.

    Args:
        job: The job as it is set up. A location without both limits has no window.
        spreads: By location: the shop's own standard deviation of a reading, in the unit of the job, and
            how many readings stand behind it.
        guards: By location: the guard band on each side, in the unit of the job; none where none is given.
    """
    warnings: list[str] = []
    for location in job.location:
        if location.lower is None or location.upper is None:
            continue
        guard = Fraction(0) if guards is None else guards.get(location.name, Fraction(0))
        width = Fraction(location.upper) - Fraction(location.lower) - 2 * guard
        spread, behind = spreads.get(location.name, (Decimal(0), 0))
        window = _window(location, width, guard, job.unit)
        if width <= 0:
            warnings.append(said("{window}: there is no room for any spread.", window=window))
        elif behind >= LEAST_READINGS:
            if width < _DEVIATIONS * Fraction(spread):
                warnings.append(joined([window, _own(width, spread, behind, job.unit)], "; "))
        elif exact_um(width, job.unit) < CAREFUL_WINDOW_UM:
            warnings.append(joined([window, _not_own(behind)], "; "))
    return warnings


_WINDOW: Final = template("{location}: {lower} to {upper} leaves a window of {width}")
_LESS_GUARD: Final = template(
    "{location}: {lower} to {upper} less a guard band of {guard} on each side leaves a window of {width}"
)


def _window(location: Location, width: Fraction, guard: Fraction, unit: Unit) -> str:
    wide = with_unit(amount(max(width, Fraction(0)), unit, Fraction(0)), unit)
    if unit is Unit.MIL and width > 0:
        wide = joined([wide, " (", with_unit(Figures(f"{shown(exact_um(width, unit), 1):f}"), Unit.UM), ")"], "")
    values = {
        "location": location.name,
        "lower": as_written(location.lower or Decimal(0)),
        "upper": with_unit(as_written(location.upper or Decimal(0)), unit),
        "width": wide,
    }
    if not guard:
        return _WINDOW(**values)
    return _LESS_GUARD(**values, guard=with_unit(amount(guard, unit, Fraction(0)), unit))


def _own(width: Fraction, spread: Decimal, behind: int, unit: Unit) -> str:
    half_in_deviations = width / 2 / Fraction(spread)
    outside = 2 * Fraction(normal_cdf(-float(half_in_deviations))) * 100
    needed = _DEVIATIONS * Fraction(spread)
    return said(
        "the shop's own spread here, s = {s} from {n} readings, needs {needed} (6 s). At best, with the mean in the middle, "
        "{outside} of the readings would lie outside (normal model).",
        s=with_unit(amount(Fraction(spread), unit, Fraction(0)), unit),
        n=behind,
        needed=with_unit(amount(needed, unit, width), unit),
        outside=percent(Figures(f"{shown(outside, 1):f}")),
    )


_NONE_HELD: Final = template("the archive holds no readings here, and {least} are asked for.")
_ONE_HELD: Final = template("the archive holds only {n} reading here, and {least} are asked for.")
_FEW_HELD: Final = template("the archive holds only {n} readings here, and {least} are asked for.")


def _not_own(behind: int) -> str:
    words = _NONE_HELD if behind == 0 else _ONE_HELD if behind == 1 else _FEW_HELD
    return said(
        "a trade-magazine consultant takes about ±12 µm, {careful} µm in all, to be what is held on flat and easy parts with "
        "great care, and more to be needed on shaped parts (read). This is not the shop's own figure: {history}",
        careful=as_written(CAREFUL_WINDOW_UM),
        history=words(n=behind, least=LEAST_READINGS),
    )
