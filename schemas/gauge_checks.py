"""gauge_checks: what shows that a gauge could be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Final

import pyarrow as pa

from schemas.column import Column, Table
from schemas.readings import THICKNESS, TIME


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeCheck:
    """One standard measured in a verification; or one adjustment, calibration or incident."""

    check_id: Annotated[
        str, Column(pa.string(), "The check; a verification on two standards is two rows of one check.")
    ]
    kind: Annotated[
        str,
        Column(
            pa.string(),
            "verification, adjustment, calibration, incident (something happened to the gauge, no measurement), or study "
            "(repeatability and reproducibility: a row is what one operator read on one part).",
        ),
    ]
    occasion: Annotated[
        str | None,
        Column(
            pa.string(),
            "opening, closing, or after a: drop, battery, probe, mode, temperature change; other. Null for a calibration.",
        ),
    ]
    gauge_serial: Annotated[str, Column(pa.string(), "Serial number of the gauge.")]
    probe_mode: Annotated[
        str | None, Column(pa.string(), "Principle of the probe that was checked; null where the whole gauge is meant.")
    ]
    done_at: Annotated[datetime, Column(TIME, "When it was done.", unit="UTC")]
    done_by: Annotated[str, Column(pa.string(), "Who did it: the inspector's code, or the laboratory.")]
    temperature_c: Annotated[
        Decimal | None, Column(pa.decimal128(5, 1), "Temperature of the standard and the gauge.", unit="°C")
    ]
    standard_id: Annotated[
        str | None,
        Column(
            pa.string(),
            "Serial of the shim, foil, plate or zero plate that was measured; in a study the name of the part.",
        ),
    ]
    certified_um: Annotated[Decimal | None, Column(THICKNESS, "Certified thickness of the standard.", unit="µm")]
    certified_u_um: Annotated[
        Decimal | None, Column(THICKNESS, "Expanded uncertainty (k = 2) of the certified thickness.", unit="µm")
    ]
    standard_due: Annotated[
        date | None, Column(pa.date32(), "Day up to which the standard's own certificate holds, that day included.")
    ]
    readings_um: Annotated[
        list[Decimal] | None,
        Column(pa.list_(THICKNESS), "What the gauge read on the standard, exactly converted.", unit="µm"),
    ]
    unit: Annotated[str | None, Column(pa.string(), "Unit that the gauge showed: um or mil.")]
    mean_um: Annotated[
        Decimal | None, Column(THICKNESS, "Mean of the readings, rounded to the last place kept here.", unit="µm")
    ]
    error_um: Annotated[
        Decimal | None,
        Column(THICKNESS, "Mean less certified thickness, rounded to the last place kept here.", unit="µm"),
    ]
    tolerance_um: Annotated[
        Decimal | None,
        Column(
            THICKNESS,
            "Largest error allowed, rounded to the last place kept here; within is decided unrounded.",
            unit="µm",
        ),
    ]
    tolerance_rule: Annotated[
        str | None,
        Column(
            pa.string(), "How the gauge's accuracy and the standard's uncertainty were joined: root-sum-square or sum."
        ),
    ]
    within: Annotated[
        bool | None, Column(pa.bool_(), "Whether the error is within the tolerance; null where nothing was measured.")
    ]
    certificate_no: Annotated[str | None, Column(pa.string(), "Number of the calibration certificate.")]
    due: Annotated[date | None, Column(pa.date32(), "Day up to which the calibration holds, that day included.")]
    note: Annotated[str | None, Column(pa.string(), "What else was said.")]


GAUGE_CHECKS: Final = Table(
    "gauge_checks",
    1,
    "One row per standard measured in a verification, one per adjustment, calibration or incident, one per part and operator of a study.",
    GaugeCheck,
)
