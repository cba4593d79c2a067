"""The error at verification: carried, corrected on the nearest standard, or by a line through several."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest

from rules.assessment import assess
from rules.results import Assessment
from rules.verdict import Verdict
from rules.verification_error import correcting
from schemas.gauge_checks import GaugeCheck
from schemas.vocabulary import VerificationError
from tests.rules.builders import at, event, job, location, readings, shop, verification

KEPT = (
    "occasion",
    "probe_mode",
    "standard_id",
    "certified_um",
    "certified_u_um",
    "standard_due",
    "unit",
    "tolerance_um",
    "tolerance_rule",
    "within",
)
THREE = {"Z-0": ("0", "0.2 0.1 0.3"), "S-50": ("50", "50.9 51.1 51.0"), "S-100": ("100", "101.6 101.8 101.7")}


def _check(standards: dict[str, tuple[str, str]] = THREE, check_id: str = "open", **more: object) -> list[GaugeCheck]:
    rows = []
    for serial, (certified, figures) in standards.items():
        read = [Decimal(f) for f in figures.split()]
        mean = (sum(read) / len(read)).quantize(Decimal("0.0001"))
        base = verification(check_id, at(8, 45), standards=[(serial, certified)], **more)[0]
        rows.append(
            event(
                check_id,
                "verification",
                base.done_at,
                **{name: getattr(base, name) for name in KEPT},
                readings_um=read,
                mean_um=mean,
                error_um=mean - Decimal(certified),
            )
        )
    return rows


def _assessed(policy: str, shown: str, lower: str = "60", standards: dict[str, tuple[str, str]] = THREE) -> Assessment:
    asked = job(location(lower=lower, upper=None, readings_per_spot=3), rule="location-means", unit="um")
    checks = [*_check(standards), *verification("close", at(18), occasion="closing")]
    taken = readings(shown, "um", per_spot=3)
    return assess(asked, shop(bracket_limits=False, error=policy), taken, checks, coats=1, bakes=1)


def test_by_default_the_error_is_carried_and_nothing_is_corrected_or_said() -> None:
    found = _assessed("carried", "60.4 60.5 60.6")
    assert (found.locations[0].mean, found.verdict, found.correction) == (Fraction(605, 10), Verdict.PASS, "")


def test_a_correction_on_the_nearest_standard_moves_every_reading_and_can_turn_the_verdict() -> None:
    found = _assessed("corrected", "60.4 60.5 60.6")
    assert found.locations[0].mean == Fraction(595, 10)
    assert found.verdict is Verdict.FAIL
    assert found.correction == (
        "Readings are corrected for the error that check open found on the nearest standard: -0.2000 µm at Z-0, "
        "-1.0000 µm at S-50, -1.7000 µm at S-100."
    )
    budget = found.locations[0].uncertainty
    assert budget is not None
    (error,) = [c for c in budget.components if c.name == "error at verification"]
    # s of 50.9, 51.1 and 51.0 is 0.1; of their mean 0.1/√3.
    assert float(error.standard) == pytest.approx(0.1 / 3**0.5)
    assert error.degrees == 2


def test_a_line_through_the_standards_is_the_least_squares_line_of_numpy() -> None:
    how = correcting(VerificationError.LINE, "open", _check())
    assert how is not None
    x, y = [0.2, 51.0, 101.7], [-0.2, -1.0, -1.7]
    slope, offset = np.polyfit(x, y, 1)
    for shown in ("12.3", "61.0", "99.9"):
        assert float(how.at(Decimal(shown))) == pytest.approx(offset + slope * float(shown), abs=6e-5)
    assert how.said.startswith("Readings are corrected by the calibration line through the 3 standards of check open:")
    found = _assessed("line", "60.4 60.5 60.6")
    assert float(found.locations[0].mean or 0) == pytest.approx(60.5 + offset + slope * 60.5, abs=1e-4)


@pytest.mark.parametrize(
    ("policy", "standards", "said"),
    [
        (
            "line",
            {k: THREE[k] for k in ("Z-0", "S-50")},
            "check open has 2 that were read apart from each other: the error is carried",
        ),
        ("corrected", {"Z-0": ("0", "0.1 0.1"), "S-50": ("50", "51.0")}, "read standard S-50 once only"),
    ],
)
def test_what_the_check_cannot_give_is_carried_and_said(
    policy: str, standards: dict[str, tuple[str, str]], said: str
) -> None:
    found = _assessed(policy, "60.4 60.5 60.6", standards=standards)
    assert said in found.correction
    assert found.locations[0].mean == Fraction(605, 10)


def test_no_check_on_a_standard_gives_no_correction() -> None:
    assert correcting(VerificationError.LINE, "open", [event("open", "adjustment", at(8))]) is None


def test_one_reading_repeats_as_on_the_standards_and_a_mean_as_the_surface() -> None:
    found = _assessed("carried", "60 65 70")
    place = found.locations[0]
    assert place.uncertainty is not None
    assert place.one_reading is not None
    assert place.uncertainty.components[0].how == "s of readings within 1 spot, mean of 3"
    assert place.one_reading.components[0].how == "s of 9 readings on 3 standards, one reading"
    # Each standard was read with s = 0.1.
    assert float(place.one_reading.components[0].standard) == pytest.approx(0.1)
    assert place.one_reading.components[0].degrees == 6
