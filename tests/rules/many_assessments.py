"""Assessments of all kinds, drawn from a seed: every rule, decision, gate state, feature, look, lot and policy."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from random import Random
from typing import Any

from rules.assessment import assess
from rules.lot_judgement import LotTerms
from rules.lot_tables import Severity
from rules.lots import Drawn, LotOutcome, standing
from rules.recoat import AddedBuild, added_build
from rules.results import Assessment
from rules.sentence import said
from rules.unusual_readings import JudgedReading, UnusualReading, unusual_readings
from rules.verdict import Verdict
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop
from schemas.units import Unit
from schemas.vocabulary import BASE_READING
from tests.rules.builders import NINE, at, event, job, location, reading, shop, verification

_NAMES = ("§1-rail", "§2-web", "§3-bore")
_SUBSTRATES = ("§steel", "§galvanized §steel", "§aluminium", "§magnesium")
_TITLES = ("§Gate", "§Gate", "§Gate", "§lifting §hook", "§brake")


def drawn_cases(seeds: range) -> Iterator[tuple[Assessment, tuple[UnusualReading, ...]]]:
    """Yield an assessment and its unusual readings for each of *seeds* that draws a job which holds together.

    Every name, code and other word that a person would have written has a § in it.
    """
    for seed in seeds:
        drawn = Random(seed)
        try:
            of_job = _job(drawn)
        except BadInput:
            continue
        of_shop, readings = _shop(drawn), _readings(drawn, of_job)
        assessment = assess(
            of_job,
            of_shop,
            readings,
            _checks(drawn),
            coats=drawn.choice((1, 1, 2, 3)),
            bakes=drawn.choice((1, 2)),
            lot=_lot(drawn, len({r.piece for r in readings})),
            added=_added(drawn, of_job.unit),
        )
        builds = [JudgedReading(r.reading_no, r.piece, r.location, Fraction(r.shown)) for r in readings if r.counted]
        yield assessment, unusual_readings(builds, of_job.unit, None)


def series_of_lots() -> Iterator[str]:
    """Yield each change of severity that a series of lots can go through."""
    good, bad, open_yet = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED
    for ending in ((good, 3, True), (bad, 0, True), (open_yet, 0, True), (good, 0, False)):
        verdict, nonconforming, steady = ending
        history = [LotOutcome(f"§{n}", Severity.NORMAL, good, 1, 0) for n in range(15)]
        history.append(LotOutcome("§r", Severity.REDUCED, verdict, 1, nonconforming, steady=steady))
        yield from standing(history, reduced_wanted=True).changes
    history = [LotOutcome(f"§{n}", Severity.NORMAL, bad, 0, 1) for n in range(2)]
    relaxed = [LotOutcome(f"§t{n}", Severity.TIGHTENED, good, 0, 0) for n in range(5)]
    yield from standing([*history, *relaxed]).changes
    stopped = [LotOutcome(f"§t{n}", Severity.TIGHTENED, bad, 0, 1) for n in range(5)]
    resumed = LotOutcome("§u", Severity.TIGHTENED, good, 0, 0, corrected=True)
    yield from standing([*history, *stopped, resumed]).changes


def _job(drawn: Random) -> Job:
    unit = drawn.choice(("mil", "um"))
    low, high = ("2.0", "4.0") if unit == "mil" else ("50", "100")
    places = []
    for name in _NAMES[: drawn.choice((1, 2, 3))]:
        more: dict[str, Any] = {"role": drawn.choice(("visible", "hidden", "fit", "masked", "edge"))}
        if drawn.random() < 0.3:
            feature = drawn.choice(("hole", "shaft", "thread"))
            more["fit"] = {"feature": feature, "may_change": Decimal(high) * drawn.choice((2, 3, 6))}
        more["spots"], more["readings_per_spot"] = drawn.choice(((1, 3), (5, 3), (5, 1)))
        lower, upper = drawn.choice(((low, high), (low, high), (low, None), (None, high)))
        places.append(location(name, lower, upper, **more))
    facts: dict[str, Any] = {
        "title": drawn.choice(_TITLES),
        "substrate": drawn.choice(_SUBSTRATES),
        "decision": {"rule": drawn.choice(("simple", "guard-band", "four-way"))},
    }
    if drawn.random() < 0.5:
        facts["recoat"] = _recoat(drawn, Decimal(low))
    if drawn.random() < 0.15:
        facts["safety_class"] = "§class"
    look = drawn.choice((None, "plain", "high-gloss", "metallic", "texture", "chrome-look", "not-seen"))
    if look is not None:
        facts["appearance"] = look
    if drawn.random() < 0.2:
        facts |= {"blasted": True, "base_reading": True}
    if drawn.random() < 0.4:
        facts["sampling"] = _sampling(drawn)
    return job(*places, rule=_rule(drawn, low), unit=unit, **facts)


def _rule(drawn: Random, low: str) -> dict[str, Any]:
    name = drawn.choice(
        (
            "every-reading", "location-means", "sspc-pa2", "sspc-pa2", "sspc-pa2-extent", "iso-19840", "architectural-label",
            "architectural-aluminium", "architectural-aluminium", "ninety-ten", "shop-rule", "shop-rule",
        )
    )  # fmt: skip
    rule: dict[str, Any] = {"name": name}
    if drawn.random() < 0.4:
        rule["comparison"] = "rounding"
        rule["tie"] = drawn.choice(("even", "up"))
    if name == "sspc-pa2":
        rule["level"] = drawn.choice((1, 2, 3, 4, 5))
        rule |= drawn.choice(({}, {"coated_area_m2": Decimal("12.5")}, {"coated_area_ft2": Decimal(90)}))
    if name == "iso-19840":
        rule |= drawn.choice(({}, {"coated_area_m2": Decimal("0.9")}, {"roughness_correction_um": Decimal("2.5")}))
    if name == "architectural-aluminium":
        rule["wording"] = drawn.choice(("none-below-floor", "five-percent-below-floor"))
        rule |= drawn.choice(({}, {"floor": Decimal(low) - 1}))
    if name == "shop-rule":
        rule |= {"mean_at_least": drawn.choice((Decimal(1), Decimal("0.95")))}
        rule |= {"each_at_least": drawn.choice((Decimal(1), Decimal("0.8")))}
        rule |= {"each_at_most": drawn.choice((Decimal(1), Decimal("1.2")))}
        rule |= drawn.choice(({}, {"at_most_below": Decimal("0.125")}))
    return rule


def _recoat(drawn: Random, low: Decimal) -> dict[str, Any]:
    recoat: dict[str, Any] = {"max_coats": drawn.choice((1, 2, 3))}
    if drawn.random() < 0.7:
        adds = drawn.choice(((low / 4, low / 2), (low, low * 2)))
        recoat["added_low"], recoat["added_high"] = adds
    if drawn.random() < 0.5:
        recoat["sheet_max_total"] = drawn.choice((low * 3, low * Decimal("2.2")))
    if drawn.random() < 0.5:
        recoat["data_sheet"] = "§sheet"
    return recoat


def _sampling(drawn: Random) -> dict[str, Any]:
    scheme = drawn.choice(("every-piece", "attributes", "variables", "architectural-label"))
    if scheme == "attributes":
        return {"scheme": scheme, "aql": drawn.choice((Decimal("1.0"), Decimal("6.5"), Decimal("1.1")))}
    if scheme == "variables":
        return {"scheme": scheme, "letter": drawn.choice("BBBCD"), "aql": drawn.choice((Decimal("4.0"), Decimal("2.5"), Decimal("9.9")))}  # fmt: skip
    if scheme == "architectural-label":
        return {"scheme": scheme, "absorb_below_floor": drawn.random() < 0.5}
    return {"scheme": scheme}


def _shop(drawn: Random) -> Shop:
    return shop(
        bracket_limits=drawn.random() < 0.8,
        closing_required=drawn.random() < 0.8,
        max_age_hours=drawn.choice((12, 12, Decimal("0.5"))),
        error=drawn.choice(("carried", "carried", "corrected", "line")),
    )


def _readings(drawn: Random, of_job: Job) -> list[GaugeReading]:
    unit = of_job.unit
    scale = Decimal(1) if unit is Unit.MIL else Decimal(25)
    centre = drawn.choice(("3.0", "3.0", "1.9", "4.2", "2.05", "3.95", "20")) if unit is Unit.MIL else "3.0"
    centre_of = Decimal(centre) if unit is Unit.MIL else Decimal(drawn.choice(("3.0", "1.9", "4.1", "20")))
    pieces = [f"§{n}" for n in range(1, drawn.choice((1, 2, 3, 3, 4)) + 1)]
    rows: list[GaugeReading] = []
    for piece in pieces:
        for place in of_job.location:
            left_out = drawn.random() < 0.05
            spots = place.spots - (drawn.random() < 0.1)
            each = place.readings_per_spot + drawn.choice((0, 0, 0, 0, 0, 0, 0, -1, 3))
            spread = drawn.choice((0.0, 0.05, 0.05, 0.6))
            odd = drawn.random() < 0.1
            for spot in range(1, spots + 1):
                for _ in range(each):
                    jump = 3 if odd and spot == spots else 0
                    value = (centre_of + Decimal(drawn.gauss(0, spread)) + jump) * scale
                    shown = f"{max(value, Decimal('0.1')):.2f}" if unit is Unit.MIL else f"{max(value, Decimal(1)):.1f}"
                    name = "§unknown" if drawn.random() < 0.002 else place.name
                    base = Decimal("2.5") if of_job.base_reading and drawn.random() < 0.97 else None
                    rows.append(
                        reading(
                            len(rows) + 1, shown, unit.value, piece=piece, location=name, spot=spot, base_metal_um=base,
                            counted=not left_out, excluded_reason="§slip" if left_out else None,
                            gauge_serial="§G", taken_at=NINE + timedelta(seconds=20 * len(rows)),
                        )
                    )  # fmt: skip
    if of_job.base_reading:
        rows.extend(
            reading(
                len(rows) + n, "0.10" if unit is Unit.MIL else "2.5", unit.value, piece="§1", location=of_job.location[0].name,
                spot=1, coat_stage="bare", counted=False, excluded_reason=BASE_READING, gauge_serial="§G",
                taken_at=at(8, 30 + n) if drawn.random() < 0.7 else at(7, n),
            )
            for n in (1, 2)
        )  # fmt: skip
    return rows


def _checks(drawn: Random) -> list[GaugeCheck]:
    standards = drawn.choice(
        (
            (("§Z-0", "0"), ("§F-50", "48.5"), ("§F-125", "125")),
            (("§Z-0", "0"), ("§F-50", "48.5"), ("§F-125", "125")),
            (("§F-75", "75"), ("§F-125", "125")),
            (("§Z-0", "0"), ("§F-75", "75")),
            (("§F-75", "75"),),
        )
    )
    checks: list[GaugeCheck] = []
    due = drawn.choice((date(2026, 12, 31), date(2026, 12, 31), date(2026, 1, 31), None))
    if drawn.random() < 0.95:
        passed = drawn.random() < 0.9
        checks += verification("§V-1", at(8), passed=passed, standards=standards, standard_due=due)
    if drawn.random() < 0.8:
        checks += verification("§V-2", at(17), passed=drawn.random() < 0.8, standards=standards, occasion="closing")
    if drawn.random() < 0.3:
        checks += verification("§V-0", at(7), standards=standards)
    for number, (kind, moment) in enumerate(
        (("adjustment", at(8, 50)), ("adjustment", at(16)), ("incident", at(8, 55)), ("calibration", at(9, day=4)))
    ):
        if drawn.random() < 0.05:
            what = drawn.choice(("drop", "battery", "probe", "mode", "temperature", "other", None))
            checks.append(event(f"§E-{number}", kind, moment, occasion=what if kind == "incident" else None))
    if drawn.random() < 0.95:
        when, until = drawn.choice(((1, 300), (1, 300), (1, 300), (1, 300), (1, 1), (20, 300)))
        checks.append(
            event("§K", "calibration", at(8, day=when), due=at(8, day=when).date() + timedelta(days=until), certificate_no="§C")
        )  # fmt: skip
    checks = [replace(c, gauge_serial="§G") for c in checks]
    if drawn.random() < 0.1:
        checks = [replace(c, standard_id=None) if c.standard_id == standards[-1][0] else c for c in checks]
    if drawn.random() < 0.1:
        checks = [replace(c, readings_um=(c.readings_um or [])[:1] or None) for c in checks]
    return checks


def _lot(drawn: Random, pieces: int) -> LotTerms | None:
    size = drawn.choice((pieces, pieces, pieces + 1, pieces + 5, 40, 200_000, None))
    if drawn.random() < 0.1:
        return None
    cut = drawn.choice((size, size, 2, 1))
    sample = None if cut is None else Drawn("#seed", cut, min(cut, drawn.choice((1, 2, 3))))
    return LotTerms(
        size,
        severity=drawn.choice(list(Severity)),
        stopped=drawn.random() < 0.1,
        changes=drawn.choice(((), (said("after lot {lot}: normal inspection, lot undecided", lot="§8"),))),
        drawn=sample if drawn.random() < 0.6 else None,
        shown_before=drawn.choice(((), ("§seen-before",))),
    )


def _added(drawn: Random, unit: Unit) -> AddedBuild | None:
    if drawn.random() < 0.7:
        return None
    scale = 1 if unit is Unit.MIL else 25
    return added_build([Fraction(n, 10) * scale for n in range(5, 17)], unit)
