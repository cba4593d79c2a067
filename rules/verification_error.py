"""What becomes of the error that the opening check finds: carried, or corrected for, on the nearest standard or by a line.

A gauge whose error is within its tolerance is in order, and most shops leave it at that: the error is then part of the
uncertainty. A shop whose policy corrects for it adds certified thickness less mean reading to every reading. A
correction is made to four decimals of a µm, the last place that a reading is kept with, and is itself uncertain.

What the policy asks for and the check cannot give is not guessed: the error is then carried, and the reason is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Final

from rules.film_build import is_base, is_judged
from rules.results import Coverage
from rules.rounding import round_to_step
from rules.sentence import Figures, joined, said
from rules.statistics import mean
from rules.uncertainty import CalibrationLine, GaugeKnowledge, Spread, calibration_line, pooled_variance, type_a
from rules.wording import counted
from schemas.gauge_checks import GaugeCheck
from schemas.readings import GaugeReading
from schemas.shop import Gauge
from schemas.vocabulary import VerificationError

_PLACE_UM: Final = Decimal("0.0001")
_UNNAMED: Final = said("an unnamed standard")
_FEWEST_FOR_A_LINE: Final = 3
_FEWEST_FOR_A_SPREAD: Final = 2


@dataclass(frozen=True, slots=True)
class Correcting:
    """How readings that one opening check covers are corrected.

    Attributes:
        check_id: The check.
        policy: What is done: CARRIED where the check cannot give more.
        rows: What was read on each standard, by certified thickness.
        line: The calibration line; None unless the policy is LINE.
        said: What is done, in a sentence.
    """

    check_id: str
    policy: VerificationError
    rows: tuple[GaugeCheck, ...]
    line: CalibrationLine | None
    said: str

    def at(self, thickness_um: Decimal) -> Decimal:
        """Return what is added to a reading of *thickness_um*, in µm, to four decimals."""
        if self.policy is VerificationError.CARRIED:
            return Decimal(0)
        if self.line is not None:
            return round_to_step(self.line.at(thickness_um).value, _PLACE_UM)
        return -_error_um(self.nearest(thickness_um))

    def nearest(self, thickness_um: Decimal | Fraction) -> GaugeCheck:
        """Return the row of the standard that lies nearest to a thickness; of two alike the thinner."""
        return min(self.rows, key=lambda row: abs(Fraction(row.certified_um or 0) - Fraction(thickness_um)))

    def uncorrected(self, thickness_um: Fraction) -> Fraction:
        """Return what the gauge showed where a reading is *thickness_um* when corrected, to the places of a correction."""
        if self.policy is VerificationError.CARRIED:
            return thickness_um
        if self.line is not None:
            rise = 1 + self.line.slope
            over = thickness_um - self.line.offset + self.line.slope * self.line.reference
            return over / rise if rise else thickness_um
        # Midway between two standards a thickness may come from either; the nearer figure is then taken.
        before = [(row, thickness_um + Fraction(_error_um(row))) for row in self.rows]
        fitting = [figure for row, figure in before if self.nearest(figure) is row]
        return min(fitting, key=lambda figure: abs(figure - thickness_um), default=thickness_um)

    @property
    def repeats(self) -> Spread | None:
        """Return how readings on the standards repeat, pooled over them; None where each was read once."""
        groups = [[Fraction(reading) for reading in row.readings_um or ()] for row in self.rows]
        if all(len(group) < _FEWEST_FOR_A_SPREAD for group in groups):
            return None
        square, degrees = pooled_variance(groups)
        return Spread(square, degrees, f"{sum(map(len, groups))} readings on {counted(len(groups), 'standard')}")

    def knowledge(self, gauge: Gauge, step_um: Decimal, thickness_um: Fraction) -> GaugeKnowledge:
        """Return what is known of *gauge* at *thickness_um*, where it shows steps of *step_um*."""
        row = self.nearest(thickness_um)
        known = GaugeKnowledge(
            accuracy_um=gauge.accuracy_um,
            accuracy_percent=gauge.accuracy_percent,
            step_um=step_um,
            standard=row.standard_id or "standard",
            standard_u_um=row.certified_u_um or Decimal(0),
            error_um=_error_um(row),
        )
        if self.policy is VerificationError.CARRIED:
            return known
        if self.line is not None:
            found = self.line.at(thickness_um)
            error = -round_to_step(found.value, _PLACE_UM)
            return replace(
                known, error_um=error, corrected=True, error_standard_um=found.standard, error_degrees=found.degrees
            )
        standard, degrees = type_a(row.readings_um or [])
        return replace(known, corrected=True, error_standard_um=standard, error_degrees=degrees)


def correcting(policy: VerificationError, check_id: str, checks: Sequence[GaugeCheck]) -> Correcting | None:
    """Return how the readings behind the opening check *check_id* are corrected; None where it measured no standard."""
    rows = tuple(
        sorted(
            (c for c in checks if c.check_id == check_id and c.certified_um is not None and c.mean_um is not None),
            key=lambda c: c.certified_um or Decimal(0),
        )
    )
    if not rows:
        return None
    carried = Correcting(check_id, VerificationError.CARRIED, rows, None, "")
    if policy is VerificationError.CARRIED:
        return carried
    if policy is VerificationError.LINE:
        return _by_line(carried)
    short = next((r for r in rows if len(r.readings_um or ()) < _FEWEST_FOR_A_SPREAD), None)
    if short is not None:
        once = said(
            "The policy corrects readings for the error at verification, but check {check} read standard {standard} once "
            "only, so how good a correction is cannot be told: the error is carried instead.",
            check=check_id,
            standard=short.standard_id or _UNNAMED,
        )
        return replace(carried, said=once)
    errors = [
        said(
            "{correction} µm at {standard}",
            correction=Figures(f"{-_error_um(r):+f}"),
            standard=r.standard_id or _UNNAMED,
        )
        for r in rows
    ]
    done = said(
        "Readings are corrected for the error that check {check} found on the nearest standard: {errors}.",
        check=check_id,
        errors=joined(errors, ", "),
    )
    return replace(carried, policy=policy, said=done)


def corrected_readings(
    readings: Sequence[GaugeReading], coverage: Coverage, by_check: Mapping[str, Correcting]
) -> list[GaugeReading]:
    """Return *readings* with their thickness, and the base metal value subtracted from it, corrected."""
    if all(c.policy is VerificationError.CARRIED for c in by_check.values()):
        return list(readings)
    opening = {r.reading_no: r.opening_check_id for r in coverage.readings}
    return [_corrected(r, by_check.get(opening.get(r.reading_no) or "")) for r in readings]


def one_gauge_unadjusted(readings: Sequence[GaugeReading], checks: Sequence[GaugeCheck]) -> bool:
    """Return whether one gauge took all *readings*, those before coating too, in one mode with no adjustment between."""
    taken = [r for r in readings if is_base(r) or is_judged(r)]
    if len({(r.gauge_serial, r.probe_mode) for r in taken}) != 1:
        return False
    first, last = min(r.taken_at for r in taken), max(r.taken_at for r in taken)
    return not any(c.kind == "adjustment" and first <= c.done_at <= last for c in checks)


def _corrected(reading: GaugeReading, how: Correcting | None) -> GaugeReading:
    if how is None or how.policy is VerificationError.CARRIED:
        return reading
    base = reading.base_metal_um
    return replace(
        reading,
        thickness_um=_sum(reading.thickness_um, how.at(reading.thickness_um)),
        base_metal_um=None if base is None else _sum(base, how.at(base)),
    )


def _by_line(carried: Correcting) -> Correcting:
    rows = carried.rows
    points = [(r.mean_um or Decimal(0), -_error_um(r)) for r in rows]
    apart = len({p for p, _ in points})
    if apart < _FEWEST_FOR_A_LINE:
        few = said(
            "The policy corrects readings by a calibration line, which needs three standards; check {check} has {apart} "
            "that were read apart from each other: the error is carried instead.",
            check=carried.check_id,
            apart=apart,
        )
        return replace(carried, said=few)
    line = calibration_line(points, mean([p for p, _ in points]))
    slope = line.slope * 100
    done = said(
        "Readings are corrected by the calibration line through the {n} standards of check {check}: {offset} µm at "
        "{reference} µm, {slope} µm for each 100 µm more (s {residual} µm).",
        n=len(rows),
        check=carried.check_id,
        offset=Figures(f"{float(line.offset):+.2f}"),
        reference=Figures(f"{float(line.reference):.1f}"),
        slope=Figures(f"{float(slope):+.2f}"),
        residual=Figures(f"{float(line.residual):.2f}"),
    )
    return replace(carried, policy=VerificationError.LINE, line=line, said=done)


def _error_um(row: GaugeCheck) -> Decimal:
    assert row.mean_um is not None  # noqa: S101 - rows without are left out
    return _sum(row.mean_um, -(row.certified_um or Decimal(0)))


def _sum(first: Decimal, second: Decimal) -> Decimal:
    return round_to_step(Fraction(first) + Fraction(second), _PLACE_UM)
