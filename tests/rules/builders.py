"""Small builders of readings, checks, jobs and shops: invented, in a scenario of our own."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

from rules.calibration_gate import judge_standard
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop
from schemas.units import Unit, to_um
from schemas.vocabulary import ToleranceRule

GAUGE = "HG-7"
#: The first reading of the day in most tests.
NINE = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)


def at(hour: int, minute: int = 0, day: int = 3) -> datetime:
    """Return a moment of March 2026, UTC."""
    return datetime(2026, 3, day, hour, minute, tzinfo=UTC)


def location(
    name: str = "front face", lower: str | None = "2.0", upper: str | None = "4.0", **more: Any
) -> dict[str, Any]:
    """Return a location as a job file says it; limits as text, None where there is none."""
    place: dict[str, Any] = {"name": name, **more}
    if lower is not None:
        place["lower"] = Decimal(lower)
    if upper is not None:
        place["upper"] = Decimal(upper)
    return place


def job(*places: dict[str, Any], rule: str | dict[str, Any] = "every-reading", unit: str = "mil", **more: Any) -> Job:
    """Return a job with these locations; without any, one front face of 2.0 to 4.0."""
    content: dict[str, Any] = {
        "title": "Garden gate",
        "customer": "Lindenhof Fences",
        "part_no": "GG-100",
        "substrate": "mild steel sheet",
        "probe_mode": "magnetic",
        "unit": unit,
        "rule": {"name": rule} if isinstance(rule, str) else rule,
        "location": list(places) or [location()],
        **more,
    }
    return Job.checked(content, "job")


def shop(**policy: Any) -> Shop:
    """Return a shop with one gauge and its standards; keywords go to the verification policy, time_zone to the shop."""
    zone = policy.pop("time_zone", "UTC")
    content: dict[str, Any] = {
        "name": "Brook Lane Coaters",
        "address": "1 Brook Lane",
        "code": "BLC",
        "time_zone": zone,
        "gauge": [
            {
                "serial": GAUGE,
                "probe_modes": ["magnetic", "eddy-current"],
                "calibration_certificate": "C-55",
                "calibrated_by": "Valley Lab",
                "calibrated_on": date(2025, 6, 1),
                "calibration_due": date(2026, 5, 31),
                "accuracy_um": 1,
                "accuracy_percent": 1,
            }
        ],
        "inspector": [{"code": "AM", "name": "A. Moss", "role": "inspector", "independent_of_production": True}],
        "verification": policy,
    }
    return Shop.checked(content, "shop")


def reading(number: int, shown: str, unit: str = "mil", **more: Any) -> GaugeReading:
    """Return a counted reading of the front face of piece 1, taken a minute after the one before."""
    facts: dict[str, Any] = {
        "inspection_id": "I-1",
        "revision": 1,
        "reading_no": number,
        "taken_at": NINE + timedelta(minutes=number),
        "clock": "computer",
        "shop": "Brook Lane Coaters",
        "customer": "Lindenhof Fences",
        "purchase_order": None,
        "work_order": None,
        "part_no": "GG-100",
        "part_revision": None,
        "lot": "L-1",
        "lot_size": None,
        "rack": None,
        "rack_position": None,
        "powder": None,
        "powder_batch": None,
        "coat_stage": "total",
        "sprayer": None,
        "inspector": "AM",
        "piece": "1",
        "location": "front face",
        "role": "visible",
        "spot": number,
        "thickness_um": to_um(Decimal(shown), Unit(unit)),
        "shown": shown,
        "unit": unit,
        "raw_line": shown,
        "base_metal_um": None,
        "gauge_serial": GAUGE,
        "probe_mode": "magnetic",
        "opening_check_id": None,
        "specification_unit": unit,
        "lower": None,
        "target_low": None,
        "target_high": None,
        "upper": None,
        "counted": True,
        "excluded_reason": None,
        "excluded_by": None,
        "source": "typed",
        "profile": "figures",
    }
    return GaugeReading(**{**facts, **more})


def readings(
    shown: str | Iterable[str], unit: str = "mil", *, first: int = 1, per_spot: int = 1, **more: Any
) -> list[GaugeReading]:
    """Return one reading for each of the figures, *per_spot* of them to a spot."""
    figures = shown.split() if isinstance(shown, str) else list(shown)
    return [
        reading(first + place, figure, unit, **{"spot": 1 + place // per_spot, **more})
        for place, figure in enumerate(figures)
    ]


def verification(
    check_id: str,
    done_at: datetime,
    *,
    passed: bool = True,
    standards: Iterable[tuple[str, str]] = (("Z-0", "0"), ("F-125", "125")),
    **more: Any,
) -> list[GaugeCheck]:
    """Return a verification on the standards (serial, certified µm); a failed one reads the last 5 µm high."""
    rows = []
    pairs = list(standards)
    for serial, certified in pairs:
        error = Decimal(5) if not passed and serial == pairs[-1][0] else Decimal("0.5")
        figures = [Decimal(certified) + error] * 3
        judged = judge_standard(
            figures, Decimal(certified), Decimal("0.8"), Decimal(1), Decimal(1), ToleranceRule.ROOT_SUM_SQUARE
        )
        rows.append(
            event(
                check_id,
                "verification",
                done_at,
                **{
                    "occasion": "opening",
                    "probe_mode": "magnetic",
                    "standard_id": serial,
                    "certified_um": Decimal(certified),
                    "certified_u_um": Decimal("0.8"),
                    "standard_due": date(2026, 12, 31),
                    "readings_um": figures,
                    "unit": "um",
                    "mean_um": figures[0],
                    "error_um": error,
                    "tolerance_um": judged.tolerance_um.quantize(Decimal("0.0001")),
                    "tolerance_rule": "root-sum-square",
                    "within": judged.within,
                    **more,
                },
            )
        )
    assert all(row.within for row in rows) is passed
    return rows


def event(check_id: str, kind: str, done_at: datetime, **more: Any) -> GaugeCheck:
    """Return one row of a check: an adjustment, calibration or incident unless more is said."""
    facts: dict[str, Any] = {
        "check_id": check_id,
        "kind": kind,
        "occasion": None,
        "gauge_serial": GAUGE,
        "probe_mode": None,
        "done_at": done_at,
        "done_by": "AM",
        "temperature_c": None,
        "standard_id": None,
        "certified_um": None,
        "certified_u_um": None,
        "standard_due": None,
        "readings_um": None,
        "unit": None,
        "mean_um": None,
        "error_um": None,
        "tolerance_um": None,
        "tolerance_rule": None,
        "within": None,
        "certificate_no": None,
        "due": None,
        "note": None,
    }
    return GaugeCheck(**{**facts, **more})


def both_checks() -> list[GaugeCheck]:
    """Return a passed check at 8:00 and another at 17:00."""
    return [*verification("V-1", at(8)), *verification("V-2", at(17), occasion="closing")]
