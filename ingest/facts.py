"""What is known of an inspection before its first reading: the journal's first record."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, Final, Self

from schemas.job import Job
from schemas.profile import Profile
from schemas.shop import Shop
from schemas.units import Unit

#: Reads what a person types: figures, and a unit where it is not the job's.
_TYPED_FIGURES: Final = r"(?P<thickness>[-+]?[0-9.,]+)(?:\s*(?P<unit>[^\s0-9.,]\S*))?"


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionFacts:
    """The facts of one inspection, with job, shop and line profile as they were when it began."""

    inspection_id: str
    job_name: str
    job: Job
    shop: Shop
    profile_name: str
    profile: Profile
    inspector: str
    gauge_serial: str
    lot: str
    lot_size: int | None = None
    pieces: tuple[str, ...] = ("1",)
    coats: int = 1
    bakes: int = 1
    purchase_order: str | None = None
    work_order: str | None = None
    rack: str | None = None
    rack_position: str | None = None
    powder: str | None = None
    powder_batch: str | None = None
    sprayer: str | None = None
    #: What was noted before the first reading: the sample that was drawn.
    notes: tuple[str, ...] = ()

    def to_record(self) -> dict[str, Any]:
        """Return the facts as a journal keeps them."""
        plain = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        for model in ("job", "shop", "profile"):
            plain[model] = plain[model].to_json()
        plain["pieces"] = list(self.pieces)
        plain["notes"] = list(self.notes)
        return plain

    @classmethod
    def from_record(cls, record: dict[str, Any]) -> Self:
        """Return the facts that :meth:`to_record` wrote."""
        # A journal begun by an earlier edition knows of no notes.
        plain = {f.name: record[f.name] for f in dataclasses.fields(cls) if f.name in record or f.name != "notes"}
        plain["job"] = Job.from_json(plain["job"])
        plain["shop"] = Shop.from_json(plain["shop"])
        plain["profile"] = Profile.from_json(plain["profile"])
        plain["pieces"] = tuple(plain["pieces"])
        plain["notes"] = tuple(plain.get("notes", ()))
        return cls(**plain)


def typed_profile(unit: Unit, decimal_mark: str) -> Profile:
    """Return the profile of typed readings: bare figures are in *unit*."""
    return Profile.model_validate(
        {
            "title": "typed (decimal_mark in shop.toml)",
            "reading": _TYPED_FIGURES,
            "unit": unit.value,
            "decimal_mark": decimal_mark,
        }
    )
