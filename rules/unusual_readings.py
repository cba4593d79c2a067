"""Which readings of an inspection are unusual: Grubbs' test at each location on each piece. Flags, and nothing else.

A flagged reading counts like any other until a person excludes it and says why. Two choices of ours:

* the level is 1 % for each group of readings that is tested, so that an inspection of many locations does not cry wolf;
* a reading that stands no further from the mean of its group than the gauge's own accuracy is not called unusual, however
  alike the others are: five readings of which four show the same figure say nothing about the fifth.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.sentence import Figures, said
from rules.unusual import FEWEST, critical_distance, grubbs
from rules.wording import amount, percent, with_unit
from schemas.shop import Gauge
from schemas.units import Unit, exact_um, from_um

#: Probability of flagging a reading of a group in which none is unusual (a choice of ours).
FLAG_LEVEL: Final = Decimal("0.01")


@dataclass(frozen=True, slots=True)
class JudgedReading:
    """A reading that counts, as it was judged: its number, where it was taken, and its film build."""

    number: int
    piece: str
    location: str
    build: Fraction


@dataclass(frozen=True, slots=True)
class UnusualReading:
    """A reading that lies far from the others of its piece and location.

    Attributes:
        number: The reading.
        build: Its film build, in the unit of the specification.
        distance: How many standard deviations it lies from the mean (G).
        critical: What G would have to exceed.
        sentence: The flag with the test, its numbers, and what to do.
    """

    number: int
    piece: str
    location: str
    build: Fraction
    distance: Decimal
    critical: Decimal
    sentence: str


def unusual_readings(readings: Iterable[JudgedReading], unit: Unit, gauge: Gauge | None) -> tuple[UnusualReading, ...]:
    """Return the unusual readings, in the order taken.

    Args:
        readings: Every reading that counts.
        unit: Unit of the builds.
        gauge: The gauge, whose accuracy statement a difference has to exceed; None where it is not known.
    """
    groups: dict[tuple[str, str], list[JudgedReading]] = {}
    for reading in readings:
        groups.setdefault((reading.piece, reading.location), []).append(reading)
    found = [flag for group in groups.values() for flag in _of_group(group, unit, gauge)]
    return tuple(sorted(found, key=lambda flag: flag.number))


def _of_group(group: list[JudgedReading], unit: Unit, gauge: Gauge | None) -> list[UnusualReading]:
    if len(group) < FEWEST:
        return []
    builds = [reading.build for reading in group]
    test = grubbs(builds, level=FLAG_LEVEL)
    if not test.unusual or len(test.farthest) != 1:
        return []
    odd = group[test.farthest[0]]
    if gauge is not None:
        accuracy_um = Fraction(gauge.accuracy_um) + Fraction(gauge.accuracy_percent) / 100 * exact_um(
            abs(test.mean), unit
        )
        if abs(odd.build - test.mean) <= from_um(accuracy_um, unit):
            return []
    critical = critical_distance(len(group), level=FLAG_LEVEL)
    return [
        UnusualReading(
            odd.number,
            odd.piece,
            odd.location,
            odd.build,
            test.distance,
            critical,
            said(
                "reading {number}, piece {piece}, {location}: {build} is unusual among the {n} there (Grubbs: G = {distance}, "
                "critical {critical} at {level}). It counts; look at the spot and read it again before anything is said "
                "against it",
                number=odd.number,
                piece=odd.piece,
                location=odd.location,
                build=with_unit(amount(odd.build, unit), unit),
                n=len(group),
                distance=Figures(f"{test.distance:.3f}"),
                critical=Figures(f"{critical:.3f}"),
                level=percent(Figures(f"{FLAG_LEVEL * 100:.0f}")),
            ),
        )
    ]
