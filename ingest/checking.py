"""From what a person says of a gauge to the rows of one check record. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final
from zoneinfo import ZoneInfo

from ingest.said import number_of
from rules.calibration_gate import judge_standard
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.shop import Shop, Standard
from schemas.units import Unit, to_um
from schemas.vocabulary import CheckKind, Occasion, ProbeMode

_PLACE_UM: Final = Decimal("0.0001")


@dataclass(frozen=True, slots=True)
class StandardReadings:
    """What the gauge read on one standard, in the unit that it showed."""

    standard: str
    shown: tuple[Decimal, ...]


def verification(
    shop: Shop,
    *,
    check_id: str,
    gauge_serial: str,
    probe_mode: ProbeMode,
    occasion: Occasion,
    measured: Sequence[StandardReadings],
    unit: Unit,
    done_at: datetime,
    done_by: str,
    temperature_c: Decimal | None = None,
    note: str | None = None,
) -> list[GaugeCheck]:
    """Return one row per standard measured.

    Raises:
        BadInput: The gauge, a standard or the person is not the shop's; a standard is past its due
            date; there are too few readings; the figures look like another unit.
    """
    gauge = shop.find_gauge(gauge_serial)
    shop.find_inspector(done_by)
    if probe_mode not in gauge.probe_modes:
        have = ", ".join(gauge.probe_modes)
        raise BadInput(f"shop.toml: gauge {gauge_serial!r} has no mode {probe_mode} (it has: {have})")
    if not measured:
        raise BadInput("a verification needs at least one standard; give --standard SERIAL=READING,READING,...")
    names = [m.standard for m in measured]
    if len(set(names)) < len(names):
        raise BadInput("a standard stands twice; give all its readings in one --standard")
    day = done_at.astimezone(ZoneInfo(shop.time_zone)).date()
    rows = []
    for entry in measured:
        standard = shop.find_standard(entry.standard)
        _in_date(standard, day)
        wanted = shop.verification.readings_per_standard
        if len(entry.shown) < wanted:
            raise BadInput(
                f"standard {standard.serial!r}: {number_of(len(entry.shown), 'reading', 'readings')}, and the shop's policy asks for {wanted}; read it again"
            )
        readings_um = [to_um(value, unit) for value in entry.shown]
        _same_unit(standard, readings_um, entry.shown, unit)
        judged = judge_standard(
            readings_um,
            standard.certified_um,
            standard.expanded_u_um,
            gauge.accuracy_um,
            gauge.accuracy_percent,
            shop.verification.tolerance_rule,
        )
        rows.append(
            _row(
                check_id,
                CheckKind.VERIFICATION,
                gauge_serial,
                done_at,
                done_by,
                occasion=occasion.value,
                probe_mode=probe_mode.value,
                temperature_c=temperature_c,
                standard_id=standard.serial,
                certified_um=standard.certified_um,
                certified_u_um=standard.expanded_u_um,
                standard_due=standard.due,
                readings_um=readings_um,
                unit=unit.value,
                mean_um=_kept(judged.mean_um),
                error_um=_kept(judged.error_um),
                tolerance_um=_kept(Fraction(judged.tolerance_um)),
                tolerance_rule=shop.verification.tolerance_rule.value,
                within=judged.within,
                note=note,
            )
        )
    return rows


def adjustment(
    shop: Shop,
    *,
    check_id: str,
    gauge_serial: str,
    probe_mode: ProbeMode,
    standards: Sequence[str],
    done_at: datetime,
    done_by: str,
    note: str | None = None,
) -> list[GaugeCheck]:
    """Return the row of an adjustment: the gauge was set to known thickness.

    Raises:
        BadInput: The gauge, a standard or the person is not the shop's, or a standard is past its due date.
    """
    shop.find_gauge(gauge_serial)
    shop.find_inspector(done_by)
    day = done_at.astimezone(ZoneInfo(shop.time_zone)).date()
    for serial in standards:
        _in_date(shop.find_standard(serial), day)
    said = "; ".join(filter(None, (f"set on {', '.join(standards)}" if standards else None, note)))
    return [
        _row(
            check_id,
            CheckKind.ADJUSTMENT,
            gauge_serial,
            done_at,
            done_by,
            probe_mode=probe_mode.value,
            note=said or None,
        )
    ]


def calibration(
    shop: Shop,
    *,
    check_id: str,
    gauge_serial: str,
    certificate_no: str,
    laboratory: str,
    done_at: datetime,
    due: date,
    note: str | None = None,
) -> list[GaugeCheck]:
    """Return the row of a laboratory's calibration certificate.

    Raises:
        BadInput: The gauge is not the shop's, or the calibration is due before it was done.
    """
    shop.find_gauge(gauge_serial)
    if due < done_at.date():
        raise BadInput(
            f"calibration {certificate_no!r} is due {due}, before it was done on {done_at:%Y-%m-%d}; swap the dates"
        )
    return [
        _row(
            check_id,
            CheckKind.CALIBRATION,
            gauge_serial,
            done_at,
            laboratory,
            certificate_no=certificate_no,
            due=due,
            note=note,
        )
    ]


def incident(
    shop: Shop,
    *,
    check_id: str,
    gauge_serial: str,
    occasion: Occasion,
    done_at: datetime,
    done_by: str,
    note: str | None = None,
) -> list[GaugeCheck]:
    """Return the row of something that happened to the gauge: until it is verified, it covers nothing.

    Raises:
        BadInput: The gauge or the person is not the shop's, or *occasion* is no incident.
    """
    shop.find_gauge(gauge_serial)
    shop.find_inspector(done_by)
    if occasion in (Occasion.OPENING, Occasion.CLOSING):
        raise BadInput(f"{occasion} is no incident; say drop, battery, probe, mode, temperature or other")
    return [_row(check_id, CheckKind.INCIDENT, gauge_serial, done_at, done_by, occasion=occasion.value, note=note)]


def _row(check_id: str, kind: CheckKind, gauge_serial: str, done_at: datetime, done_by: str, **more: Any) -> GaugeCheck:
    empty = dict.fromkeys(GaugeCheck.__dataclass_fields__)
    at = done_at.replace(microsecond=done_at.microsecond // 1000 * 1000)
    given = {
        "check_id": check_id,
        "kind": kind.value,
        "gauge_serial": gauge_serial,
        "done_at": at,
        "done_by": done_by,
    }
    return GaugeCheck(**{**empty, **given, **more})


def _in_date(standard: Standard, day: date) -> None:
    if day > standard.due:
        raise BadInput(
            f"shop.toml: standard {standard.serial!r} was due on {standard.due}, so a check on it on {day} shows nothing; "
            "use one that is in date, or enter its new certificate"
        )


def _same_unit(standard: Standard, readings_um: Sequence[Decimal], shown: Sequence[Decimal], unit: Unit) -> None:
    """Refuse figures that are far off in the unit said and near in the other: a slip, not a bad gauge."""
    other = Unit.MIL if unit is Unit.UM else Unit.UM
    for as_said, figures in zip(readings_um, shown, strict=True):
        certified = standard.certified_um
        if (
            certified > 0
            and abs(as_said - certified) > certified / 2
            and abs(to_um(figures, other) - certified) < certified / 4
        ):
            raise BadInput(
                f"standard {standard.serial!r}: {figures} {unit.symbol} on {certified} µm looks like {figures} {other.symbol}; "
                f"say --unit {other.value}"
            )


def _kept(value: Fraction) -> Decimal:
    """Return *value* rounded to the last place that the archive keeps, a tie to the even digit."""
    return (Decimal(round(value / Fraction(_PLACE_UM))) * _PLACE_UM).quantize(_PLACE_UM)
