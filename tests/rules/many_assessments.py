"""Assessments of all kinds, drawn from a seed: every rule, decision, gate state, feature, look, lot and policy."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from random import Random
from typing import Any

from rules.assessment import assess
from rules.calibration_gate import cover
from rules.lot_judgement import LotTerms
from rules.lot_tables import Severity, code_letter, label_lot
from rules.lots import Drawn, LotOutcome, MeasuredPiece, judge_lot, plan_for, standing
from rules.recoat import AddedBuild, added_build
from rules.results import Assessment, Coverage
from rules.sentence import said
from rules.unusual_readings import JudgedReading, UnusualReading, unusual_readings
from rules.variables_plan import ISO_3951_J, judge_values, variables_plan
from rules.verdict import Verdict
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop, Verification
from schemas.units import Unit
from schemas.vocabulary import BASE_READING, Level, Scheme
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
        # Where everything goes wrong at once, little is said but that.
        in_order, complete = drawn.random() < 0.7, drawn.random() < 0.75
        of_shop, readings = _shop(drawn, in_order=in_order), _readings(drawn, of_job, complete=complete)
        assessment = assess(
            of_job,
            of_shop,
            readings,
            _checks(drawn) if not in_order else _good_checks(),
            coats=drawn.choice((1, 1, 2, 3)),
            bakes=drawn.choice((1, 2)),
            lot=_lot(drawn, len({r.piece for r in readings})),
            added=_added(drawn, of_job.unit),
        )
        builds = [JudgedReading(r.reading_no, r.piece, r.location, Fraction(r.shown)) for r in readings if r.counted]
        yield assessment, unusual_readings(builds, of_job.unit, None)


def gate_cases() -> Iterator[Coverage]:
    """Yield what the gate says of a few readings, where chance seldom leads."""
    of_job, of_shop = job(location("§1-rail")), _shop(Random(0), in_order=True)
    three = [reading(n, "3.0", location="§1-rail", gauge_serial="§G") for n in (1, 2, 3)]
    for number in (1, 3):
        for checks in (_good_checks(), _good_checks()[:3], [], [*_good_checks()[:3], *_failed("§V-2", at(17))]):
            yield cover(three[:number], checks, of_job, of_shop)
    for kind, when in (("incident", at(8, 30)), ("calibration", at(8, day=4))):
        for what in ("drop", "battery", "probe", "mode", "temperature", "other", None):
            occurred = event("§E", kind, when, gauge_serial="§G", occasion=what, due=date(2026, 12, 31))
            later = verification("§V-3", at(8, day=5), gauge_serial="§G")
            yield cover(three, [*_good_checks()[:3], occurred, *later], of_job, of_shop)
    calibrated = event("§E", "calibration", at(20, day=2), gauge_serial="§G", due=date(2026, 12, 31))
    before = verification("§V-1", at(8, day=1), gauge_serial="§G")
    old = _shop(Random(0), in_order=True).model_copy(update={"verification": Verification(max_age_hours=Decimal(99))})
    yield cover(three, [*before, calibrated], of_job, old)
    unmeasured = [replace(c, error_um=None) for c in _failed("§V-1", at(8))]
    yield cover(three, unmeasured, of_job, of_shop)
    # Readings of one run for which the gate has more to say than it spells out; and of which the earlier ones are covered.
    apart = [replace(r, location=f"§{n}", lower=Decimal(9 - n), upper=None) for n, r in enumerate(three * 2)]
    low = [verification("§V-1", at(8), standards=(("§F-250", "250"),), gauge_serial="§G")[0], *_good_checks()[3:]]
    for most in (5, 6):
        yield cover(apart[:most], low, of_job, of_shop)
    eddy = [replace(r, probe_mode="eddy-current") for r in three]
    yield cover(eddy, _good_checks(), of_job, of_shop)
    late = [replace(r, taken_at=at(18)) for r in three[:2]]
    yield cover([*late, replace(three[2], probe_mode="eddy-current")], _good_checks(), of_job, of_shop)
    bare = [replace(r, coat_stage="bare", counted=False, taken_at=at(18)) for r in three]
    on_bare = [replace(r, base_metal_um=Decimal(2)) for r in three]
    for checks in (_good_checks(), [*_good_checks(), *_failed("§V-3", at(20))]):
        yield cover([*bare, *on_bare], checks, of_job, of_shop)


def plan_cases() -> Iterator[str]:
    """Yield why there is no plan, and what plans ask that few lots have."""
    for scheme, size, aql in (
        (Scheme.ATTRIBUTES, 40, None),
        (Scheme.ATTRIBUTES, 0, Decimal("1.0")),
        (Scheme.ATTRIBUTES, 40, Decimal("1.1")),
        (Scheme.LABEL, 200_000, None),
    ):
        yield from _refused(lambda scheme=scheme, size=size, aql=aql: plan_for(size, scheme, Level.II, aql))
    yield from _refused(lambda: code_letter(1, Level.II))
    yield from _refused(lambda: label_lot(0))
    for letter, aql, severity in (
        ("A", Decimal("1.0"), Severity.NORMAL),
        ("B", Decimal("0.65"), Severity.NORMAL),
        ("B", Decimal("2.5"), Severity.TIGHTENED),
        ("B", Decimal("1.1"), Severity.NORMAL),
        ("B", Decimal("2.5"), Severity.REDUCED),
    ):
        yield from _refused(lambda letter=letter, aql=aql, severity=severity: variables_plan(letter, aql, severity))
    plan = plan_for(5, Scheme.LABEL)
    twice = [MeasuredPiece("§1", Verdict.PASS)] * 2
    yield from _refused(lambda: judge_lot(plan, twice, 5))
    for lower, upper in ((None, None), (Decimal(3), Decimal(2))):
        yield from _refused(lambda lower=lower, upper=upper: judge_values(ISO_3951_J, [], lower, upper, Unit.UM))
    yield from (ISO_3951_J.source, ISO_3951_J.known)
    for spread in (1, 9):
        values = [Decimal(75 + spread * (n % 5 - 2)) for n in range(35)]
        for finding in judge_values(ISO_3951_J, values, Decimal(50), Decimal(100), Unit.UM):
            yield finding.sentence
    few = [MeasuredPiece(f"§{n}", Verdict.FAIL, below_floor=True) for n in range(3)]
    good = [MeasuredPiece(f"§g{n}", Verdict.PASS) for n in range(12)]
    for lot in (
        plan_for(40, Scheme.LABEL),
        plan_for(90, Scheme.ATTRIBUTES, Level.II, Decimal("4.0"), Severity.REDUCED),
    ):
        yield lot.text
        for pieces in (good, [*good, few[0]], [*good, *few], [*good[:2], few[0]], good[:1]):
            for absorbed in (False, True):
                for size in (lot.lot_size, 5):
                    for finding in judge_lot(lot, pieces, size, absorb_below_floor=absorbed):
                        yield finding.sentence


def _refused(ask: Callable[[], object]) -> Iterator[str]:
    try:
        ask()
    except ValueError as why:
        yield why.args[0]
    else:
        raise AssertionError("there is such a plan")


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
        lower, upper = drawn.choice(((low, high), (low, high), (low, high), (low, None), (None, high)))
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
        return {"scheme": scheme, "aql": drawn.choice((Decimal("1.0"), Decimal("4.0"), Decimal("1.1")))}
    if scheme == "variables":
        return {"scheme": scheme, "letter": drawn.choice("BBBCD"), "aql": drawn.choice((Decimal("4.0"), Decimal("2.5"), Decimal("9.9")))}  # fmt: skip
    if scheme == "architectural-label":
        return {"scheme": scheme, "absorb_below_floor": drawn.random() < 0.5}
    return {"scheme": scheme}


def _shop(drawn: Random, *, in_order: bool) -> Shop:
    if in_order:
        made = shop(error=drawn.choice(("carried", "carried", "corrected", "line")))
        named = {"serial": "§G", "calibration_certificate": "§C-55"}
        return made.model_copy(update={"gauge": (made.gauge[0].model_copy(update=named),)})
    return shop(
        bracket_limits=drawn.random() < 0.8,
        closing_required=drawn.random() < 0.8,
        max_age_hours=drawn.choice((12, 12, Decimal("0.5"))),
        error=drawn.choice(("carried", "carried", "corrected", "line")),
    )


def _readings(drawn: Random, of_job: Job, *, complete: bool) -> list[GaugeReading]:
    unit = of_job.unit
    scale = Decimal(1) if unit is Unit.MIL else Decimal(25)
    centre = Decimal(drawn.choice(("3.0", "1.9", "1.9", "4.2", "2.02", "3.98", "20")))
    pieces = [f"§{n}" for n in range(1, drawn.choice((1, 2, 3, 3, 4)) + 1)]
    rows: list[GaugeReading] = []
    for piece in pieces:
        for place in of_job.location:
            left_out = not complete and drawn.random() < 0.1
            spots = place.spots - (not complete and drawn.random() < 0.2)
            each = place.readings_per_spot + (0 if complete else drawn.choice((0, 0, 0, -1, 3)))
            spread = drawn.choice((0.0, 0.02, 0.05, 0.6))
            odd = drawn.random() < 0.1
            for spot in range(1, spots + 1):
                for _ in range(each):
                    jump = 3 if odd and spot == spots else 0
                    value = (centre + Decimal(drawn.gauss(0, spread)) + jump) * scale
                    shown = f"{max(value, Decimal('0.1')):.2f}" if unit is Unit.MIL else f"{max(value, Decimal(1)):.1f}"
                    name = "§unknown" if not complete and drawn.random() < 0.005 else place.name
                    base = Decimal("2.5") if of_job.base_reading and (complete or drawn.random() < 0.9) else None
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
                taken_at=at(8, 30 + n) if complete else at(7, n),
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


def _good_checks() -> list[GaugeCheck]:
    standards = (("§Z-0", "0"), ("§F-50", "48.5"), ("§F-125", "125"))
    return [
        *verification("§V-1", at(8), standards=standards, gauge_serial="§G"),
        *verification("§V-2", at(17), standards=standards, gauge_serial="§G", occasion="closing"),
    ]


def _failed(check_id: str, done_at: datetime) -> list[GaugeCheck]:
    return verification(
        check_id, done_at, passed=False, standards=(("§Z-0", "0"), ("§F-125", "125")), gauge_serial="§G"
    )


def _lot(drawn: Random, pieces: int) -> LotTerms | None:
    size = drawn.choice((pieces, pieces, pieces + 1, pieces + 5, 40, 200_000, None))
    if drawn.random() < 0.1:
        return None
    cut = drawn.choice((size, size, 2, 1))
    sample = None if not cut else Drawn("#seed", cut, min(cut, drawn.choice((1, 2, 3))))
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
