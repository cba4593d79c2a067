"""Check records: the arithmetic of a verification, and what is refused before it is recorded."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from ingest import checking
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.units import Unit
from schemas.vocabulary import Occasion, ProbeMode
from tests.ingest.taking import SHOP

AT = datetime(2026, 11, 3, 8, 0, tzinfo=UTC)


def _verify(
    *figures: str, standard: str = "S50", unit: Unit = Unit.UM, at: datetime = AT, gauge: str = "G1", by: str = "mk"
) -> list[GaugeCheck]:
    return checking.verification(
        SHOP,
        check_id="C",
        gauge_serial=gauge,
        probe_mode=ProbeMode.MAGNETIC,
        occasion=Occasion.OPENING,
        measured=[checking.StandardReadings(standard, tuple(Decimal(f) for f in figures))],
        unit=unit,
        done_at=at,
        done_by=by,
    )


def test_a_verification_keeps_mean_error_tolerance_and_the_rule() -> None:
    (row,) = _verify("50.4", "50.1", "50.6")
    assert (Decimal("50.3667"), Decimal("0.3667"), True, "root-sum-square") == (
        row.mean_um,
        row.error_um,
        row.within,
        row.tolerance_rule,
    )
    # a + b·t = 1 + 0.5 = 1.5 µm with U = 0.5 µm: sqrt(1.5² + 0.5²) = 1.5811 µm
    assert Decimal("1.5811") == row.tolerance_um
    assert date(2026, 12, 31) == row.standard_due


def test_an_error_beyond_the_tolerance_is_not_within() -> None:
    assert not _verify("52", "52", "52")[0].within


def test_figures_in_mil_are_converted_exactly() -> None:
    (row,) = _verify("1.97", "1.97", "1.98", unit=Unit.MIL)
    assert [Decimal("50.0380"), Decimal("50.0380"), Decimal("50.2920")] == row.readings_um


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ({"standard": "OLD"}, "standard 'OLD' was due on 2026-06-30, so a check on it on 2026-11-03 shows nothing"),
        ({"standard": "S99"}, "there is no standard 'S99' .there are: S50, OLD."),
        ({"gauge": "G9"}, "there is no gauge 'G9'"),
        ({"by": "zz"}, "there is no inspector 'zz'"),
    ],
)
def test_a_check_that_shows_nothing_is_refused(arguments: dict[str, str], sentence: str) -> None:
    with pytest.raises(BadInput, match=sentence):
        _verify("50", "50", "50", **arguments)  # type: ignore[arg-type]


def test_too_few_readings_on_a_standard_are_refused() -> None:
    with pytest.raises(BadInput, match="standard 'S50': 2 readings, and the shop's policy asks for 3"):
        _verify("50", "50")


def test_mil_typed_as_micrometres_on_a_standard_is_noticed() -> None:
    with pytest.raises(BadInput, match="1.97 µm on 50 µm looks like 1.97 mil; say --unit mil"):
        _verify("1.97", "1.97", "1.97")


def test_a_calibration_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(BadInput, match="swap the dates"):
        checking.calibration(
            SHOP, check_id="C", gauge_serial="G1", certificate_no="N", laboratory="L", done_at=AT, due=date(2025, 1, 1)
        )


def test_an_opening_is_no_incident() -> None:
    with pytest.raises(BadInput, match="opening is no incident"):
        checking.incident(SHOP, check_id="C", gauge_serial="G1", occasion=Occasion.OPENING, done_at=AT, done_by="mk")
