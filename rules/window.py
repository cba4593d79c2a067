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
from rules.wording import amount, as_written, counted
from schemas.job import Job, Location
from schemas.units import UM_PER_MIL, Unit

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
    warnings = []
    for location in job.location:
        if location.lower is None or location.upper is None:
            continue
        guard = Fraction(0) if guards is None else guards.get(location.name, Fraction(0))
        width = Fraction(location.upper) - Fraction(location.lower) - 2 * guard
        spread, behind = spreads.get(location.name, (Decimal(0), 0))
        window = _window(location, width, guard, job.unit)
        if width <= 0:
            warnings.append(f"{window}: there is no room for any spread.")
        elif behind >= LEAST_READINGS:
            if width < _DEVIATIONS * Fraction(spread):
                warnings.append(f"{window}; {_own(width, spread, behind, job.unit)}")
        elif _um(width, job.unit) < CAREFUL_WINDOW_UM:
            warnings.append(f"{window}; {_not_own(behind)}")
    return warnings


def _window(location: Location, width: Fraction, guard: Fraction, unit: Unit) -> str:
    limits = f"{as_written(location.lower or Decimal(0))} to {as_written(location.upper or Decimal(0))} {unit.symbol}"
    less = f" less a guard band of {amount(guard, unit, Fraction(0))} {unit.symbol} on each side" if guard else ""
    in_um = f" ({shown(_um(width, unit), 1):f} µm)" if unit is Unit.MIL and width > 0 else ""
    return (
        f"{location.name}: {limits}{less} leaves a window of {amount(max(width, Fraction(0)), unit, Fraction(0))} "
        f"{unit.symbol}{in_um}"
    )


def _own(width: Fraction, spread: Decimal, behind: int, unit: Unit) -> str:
    half_in_deviations = width / 2 / Fraction(spread)
    outside = 2 * Fraction(normal_cdf(-float(half_in_deviations))) * 100
    needed = _DEVIATIONS * Fraction(spread)
    return (
        f"the shop's own spread here, s = {amount(Fraction(spread), unit, Fraction(0))} {unit.symbol} from "
        f"{counted(behind, 'reading')}, needs {amount(needed, unit, width)} {unit.symbol} (6 s). At best, with the mean "
        f"in the middle, {shown(outside, 1):f} % of the readings would lie outside (normal model)."
    )


def _not_own(behind: int) -> str:
    history = "no readings" if behind == 0 else f"only {counted(behind, 'reading')}"
    return (
        f"a trade-magazine consultant takes about ±12 µm, {as_written(CAREFUL_WINDOW_UM)} µm in all, to be what is held "
        "on flat and easy parts with great care, and more to be needed on shaped parts (read). This is not the shop's "
        f"own figure: the archive holds {history} here, and {LEAST_READINGS} are asked for."
    )


def _um(width: Fraction, unit: Unit) -> Fraction:
    return width if unit is Unit.UM else width * Fraction(UM_PER_MIL)
