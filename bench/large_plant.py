"""An invented plant's readings by the million: what varies, and by how much. Everything follows from a seed.

Some 40 parts of 5, 6, 10 or 12 locations, each location with limits and a mean of its own. A reading is the location's
mean, moved by sprayer, rack position, powder batch, lot and piece, by what differs within a piece, and by the gauge's
error, which drifts from the verification before a shift to the one after it. An inspection is 60 readings of as many
pieces as that takes. The figures are a choice of ours, made so that some 5 inspections in 100 do not conform.

A plant's rate is constant: 8,300 inspections in each month. So 1,000 inspections are part of a month, 20,000 some ten
weeks, 1,000,000 ten years; and a month holds the same inspections however many months there are.
"""

from __future__ import annotations

import calendar
import dataclasses
import random
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np

from ingest.checking import StandardReadings, verification
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.profile import Profile
from schemas.shop import Shop
from schemas.units import Unit
from schemas.vocabulary import Occasion, ProbeMode

SAMPLES: Final = Path(__file__).parents[1] / "sample_captures" / "shop"
READINGS_EACH: Final = 60
PER_MONTH: Final = 8_300
#: The month that is still under way.
LAST_MONTH: Final = (2026, 11)
PARTS: Final = 40
#: Pieces and readings at one location of one piece, by how many locations a part has: 60 readings in all.
_PLANS: Final = {5: (4, 3), 6: (2, 5), 10: (2, 3), 12: (5, 1)}
_PLACES: Final = (
    ("front face", "visible"),
    ("back face", "visible"),
    ("upper edge", "edge"),
    ("inside corners", "hidden"),
    ("weld seam", "visible"),
    ("end cap", "visible"),
    ("lower edge", "edge"),
    ("flange", "other"),
    ("web", "hidden"),
    ("bore rim", "edge"),
    ("foot plate", "hidden"),
    ("rib", "other"),
)
SPRAYERS: Final = ("pd", "ks", "lw", "ta", "rv", "no")
RACK_POSITIONS: Final = tuple(f"{column}{row}" for column in "ABCD" for row in range(1, 7))
INSPECTORS: Final = ("mk", "oj")
#: Gauge, probe mode, line profile; the place where the gauge stands.
GAUGES: Final = (
    ("FB-07", "magnetic", "number-and-unit", "oven"),
    ("FB-11", "magnetic", "number-and-unit", "fitting"),
    ("FB-12", "magnetic", "comma-decimals", "yard"),
    ("FB-19", "magnetic", "delimited", "hall"),
    ("FB-11", "eddy-current", "number-and-unit", "fitting"),
    ("FB-19", "eddy-current", "delimited", "hall"),
)
#: A shift, in hours UTC: verification, first inspection, last one, verification.
_OPENING, _FIRST, _LAST, _CLOSING = 5.5, 6.0, 16.5, 17.25
_ERA_MONTHS: Final = 30
_ALPHABET: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"


@dataclass(frozen=True)
class Part:
    """A part: its job, and how its film comes out.

    Attributes:
        job_name: Name of the job file.
        job: The job.
        pieces: Pieces measured in one inspection.
        each: Readings at one location of one piece.
        mean: Mean film build by location, in ticks of the gauge (0.1 µm or 0.01 mil).
        within: Standard deviation within a piece by location, ticks.
        between: Standard deviation between pieces, ticks.
        lot: Standard deviation between lots, ticks.
        sprayer: Shift by sprayer, ticks.
        rack: Shift by rack position, ticks.
        share: Share of the plant's inspections.
    """

    job_name: str
    job: Job
    pieces: int
    each: int
    mean: np.ndarray[Any, Any]
    within: np.ndarray[Any, Any]
    between: float
    lot: float
    sprayer: np.ndarray[Any, Any]
    rack: np.ndarray[Any, Any]
    share: float

    @property
    def tick_um(self) -> float:
        """Return how many micrometres the gauge's last place is."""
        return 0.1 if self.job.unit is Unit.UM else 0.254

    @cached_property
    def job_json(self) -> str:
        """Return the job as an inspection's record holds it."""
        return self.job.to_json()


@dataclass(frozen=True)
class GaugeDay:
    """One gauge in one probe mode on one day.

    Attributes:
        opening, closing: The rows of its verifications.
        error_um: Error at the opening.
        drift_um: By how much the error grows until the closing.
    """

    opening: list[GaugeCheck]
    closing: list[GaugeCheck]
    error_um: float
    drift_um: float


@dataclass(frozen=True)
class Month:
    """What a month's inspections are: arrays with one entry each, in the order of their start.

    Attributes:
        month: As 2026-11.
        part: Which part.
        gauge: Which of GAUGES.
        day: Which of *days*.
        started: Seconds since 1970 at the start.
        sealed_ms: Milliseconds since 1970 at sealing.
        days: The working days.
        gauge_days: By gauge and day.
        shop: The shop as it was, its calibrations those of that year.
    """

    month: str
    part: np.ndarray[Any, Any]
    gauge: np.ndarray[Any, Any]
    day: np.ndarray[Any, Any]
    started: np.ndarray[Any, Any]
    sealed_ms: np.ndarray[Any, Any]
    days: list[date]
    gauge_days: dict[tuple[int, int], GaugeDay]
    shop: Shop


class Plant:
    """The invented plant of one seed."""

    def __init__(self, seed: int = 7, per_month: int = PER_MONTH) -> None:
        """Make up its parts."""
        self.seed = seed
        self.per_month = per_month
        self._shop = Shop.load(SAMPLES / "shop.toml")
        self.profiles = {name: Profile.load(SAMPLES / "profiles" / f"{name}.toml") for _, _, name, _ in GAUGES}
        self.parts = _parts(seed)

    def shop_in(self, year: int) -> Shop:
        """Return the shop with the calibrations and standards of *year*."""
        profile_of = {serial: name for serial, _, name, _ in GAUGES}
        return self._shop.model_copy(
            update={
                "gauge": tuple(
                    gauge.model_copy(
                        update={
                            "calibrated_on": date(year - 1, 12, 28),
                            "calibration_due": date(year, 12, 31),
                            "profile": profile_of[gauge.serial],
                        }
                    )
                    for gauge in self._shop.gauge
                ),
                "standard": tuple(s.model_copy(update={"due": date(year, 12, 31)}) for s in self._shop.standard),
            }
        )

    def month(self, year: int, month: int, count: int) -> Month:
        """Return the first *count* inspections of a month."""
        rng = np.random.default_rng([self.seed, year, month])
        every = self.per_month
        days = [
            day
            for number in range(1, calendar.monthrange(year, month)[1] + 1)
            if (day := date(year, month, number)).weekday() < 5
        ]
        of_day = np.arange(every) * len(days) // every
        second = rng.uniform(_FIRST * 3600, _LAST * 3600, every).astype(np.int64)
        midnight = np.array([int(datetime(d.year, d.month, d.day, tzinfo=UTC).timestamp()) for d in days])
        started = midnight[of_day] + second
        order = np.lexsort((second, of_day))
        started = started[order]
        part = rng.choice(len(self.parts), every, p=[one.share for one in self.parts])
        eddy = np.array([one.job.probe_mode is ProbeMode.EDDY_CURRENT for one in self.parts])[part]
        gauge = np.where(eddy, rng.integers(4, 6, every), rng.integers(0, 4, every))
        sealed_ms = started * 1000 + rng.integers(300_000, 900_000, every)
        shop = self.shop_in(year)
        busy = int(of_day[count - 1]) + 1 if count else 0
        gauge_days = {
            (which, number): self._gauge_day(rng, shop, which, days[number])
            for number in range(busy)
            for which in range(len(GAUGES))
        }
        cut = slice(count)
        name = f"{year:04d}-{month:02d}"
        return Month(
            name, part[cut], gauge[cut], of_day[cut], started[cut], sealed_ms[cut], days[:busy], gauge_days, shop
        )

    def _gauge_day(self, rng: Any, shop: Shop, which: int, day: date) -> GaugeDay:
        error, drift = float(rng.normal(0, 0.35)), float(rng.normal(0.2, 0.5))
        if rng.random() < 0.004:  # its probe is worn, and the shift's last verification shows it
            drift = float(rng.choice([-6.0, 6.0]))
        midnight = datetime(day.year, day.month, day.day, tzinfo=UTC)
        rows = []
        for occasion, hour, bias in ((Occasion.OPENING, _OPENING, error), (Occasion.CLOSING, _CLOSING, error + drift)):
            done_at = midnight + timedelta(hours=hour, minutes=which)
            rows.append(
                verification(
                    shop,
                    check_id=f"{done_at:%Y%m%d-%H%M%S}-V{which:03d}",
                    gauge_serial=GAUGES[which][0],
                    probe_mode=ProbeMode(GAUGES[which][1]),
                    occasion=occasion,
                    measured=[
                        StandardReadings(
                            standard, tuple(Decimal(f"{certified + bias + rng.normal(0, 0.15):.1f}") for _ in range(3))
                        )
                        for standard, certified in (("S-50", 50.2), ("S-130", 129.6))
                    ],
                    unit=Unit.UM,
                    done_at=done_at,
                    done_by=INSPECTORS[which % 2],
                )
            )
        return GaugeDay(rows[0], rows[1], error, drift)


def months_of(count: int, per_month: int = PER_MONTH) -> list[tuple[int, int, int]]:
    """Return year, month and number of inspections of the months that hold *count*, oldest first; the last is under way."""
    full, rest = divmod(count, per_month)
    sizes = [per_month] * full + ([rest] if rest else [])
    year, month = LAST_MONTH
    found = []
    for back, size in enumerate(reversed(sizes)):
        at = year * 12 + month - 1 - back
        found.append((at // 12, at % 12 + 1, size))
    return found[::-1]


def era_of(year: int, month: int) -> int:
    """Return the number of the years in which a month lies: then the computers, and with them the benches, are new."""
    return (year * 12 + month - 1) // _ERA_MONTHS


def tail_of(number: int) -> str:
    """Return the four signs that end the identity of a month's inspection *number*."""
    mixed = number * 77_773 % 32**4
    return "".join(_ALPHABET[mixed // 32**place % 32] for place in (3, 2, 1, 0))


def _parts(seed: int) -> tuple[Part, ...]:
    rng = np.random.default_rng([seed, 0])
    choose = random.Random(seed)  # noqa: S311 - invented data
    samples = [(path.stem, Job.load(path)) for path in sorted((SAMPLES / "jobs").glob("*.toml"))]
    share = rng.dirichlet(np.full(PARTS, 2.0))
    found = []
    for number in range(PARTS):
        stem, sample = samples[number % len(samples)]
        places = choose.choice(list(_PLANS))
        pieces, each = _PLANS[places]
        unit = sample.unit
        ticks, one_um = (10, 10.0) if unit is Unit.UM else (100, 1 / 0.254)
        locations, mean, within = [], [], []
        for name, role in _PLACES[:places]:
            lower = rng.choice([50, 60, 60, 70]) if unit is Unit.UM else rng.choice([2.0, 2.0, 2.5])
            width = rng.choice([50, 60, 80]) if unit is Unit.UM else rng.choice([2.0, 2.5, 3.0])
            lower, width = float(lower), float(width)
            low, high, upper = lower + width * 0.2, lower + width * 0.55, lower + width
            locations.append(
                {
                    "name": name,
                    "role": role,
                    "lower": f"{lower:g}",
                    "target_low": f"{low:.1f}",
                    "target_high": f"{high:.1f}",
                    "upper": f"{upper:g}",
                    "spots": 1,
                    "readings_per_spot": each,
                }
            )
            mean.append((lower + width * rng.uniform(0.29, 0.46)) * ticks)
            within.append(rng.uniform(2.5, 6.0) * one_um)
        job = Job.model_validate(
            {
                **{k: v for k, v in sample.model_dump(exclude_none=True).items() if k not in _NOT_COPIED},
                "title": f"{sample.title}, pattern {number + 1}",
                "part_no": f"{sample.part_no}-{number + 1:02d}",
                "probe_mode": "eddy-current" if number % 8 == 5 else "magnetic",
                "rule": {"name": "every-reading"},
                "location": locations,
            }
        )
        found.append(
            Part(
                job_name=f"{stem}-{number + 1:02d}",
                job=job,
                pieces=pieces,
                each=each,
                mean=np.array(mean),
                within=np.array(within),
                between=float(rng.uniform(1.0, 2.5)) * one_um,
                lot=float(rng.uniform(1.0, 3.0)) * one_um,
                sprayer=rng.normal(0, 1.5, len(SPRAYERS)) * one_um,
                rack=rng.normal(0, 1.2, len(RACK_POSITIONS)) * one_um,
                share=float(share[number]),
            )
        )
    return tuple(dataclasses.replace(one, share=one.share / share.sum()) for one in found)


#: What a sample job says that does not fit other locations and limits.
_NOT_COPIED: Final = frozenset(
    {"location", "rule", "recoat", "drawing", "sampling", "blasted", "base_reading", "base_is", "chrome_look"}
    | {"appearance", "decision"}
)
