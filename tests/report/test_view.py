"""What a certificate says in words and figures, before it is laid out."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime
from decimal import Decimal

import pytest

from report.assessing import judge
from report.view import CertificateView, all_findings, certificate_view
from rules.verdict import Verdict
from schemas.errors import BadInput
from tests.report import scenario


def _view(**changes: object) -> CertificateView:
    of = scenario.evidence(**changes)  # type: ignore[arg-type]
    return certificate_view(of, judge(of), scenario.facts())


def test_a_conforming_lot_lists_no_finding_and_no_advice() -> None:
    view = _view()
    assert (view.verdict, view.findings, view.advice) == ("conforms", (), ())
    assert len(view.builds) == 12
    assert len(view.readings) == 12
    assert [r.numbers for r in view.readings[:2]] == ["1\u00a0–\u00a05", "6\u00a0–\u00a010"]


def test_only_findings_that_do_not_pass_are_listed() -> None:
    of = scenario.evidence(shown=[["130.5", "90", "90", "90", "90"], *scenario.figures(11, 5)])
    assessment = judge(of)
    every = all_findings(assessment)
    passed = {f.sentence for f in every if f.verdict is Verdict.PASS}
    listed = certificate_view(of, assessment, scenario.facts()).findings
    assert len(passed) > 0
    assert passed.isdisjoint(listed)
    assert list(listed) == [f.sentence for f in every if f.verdict is not Verdict.PASS]


def test_a_reading_outside_its_limits_is_a_finding_with_its_numbers() -> None:
    view = _view(shown=[["130.5", "90", "90", "90", "90"], *scenario.figures(11, 5)])
    assert view.verdict == "does not conform"
    assert any("130.5" in f and "120" in f for f in view.findings)
    assert view.builds[0].verdict == "does not conform"


def test_a_mean_just_below_the_lower_limit_is_not_printed_as_the_limit() -> None:
    """25 readings of 60 and one of 59: their mean is 59.96, in whole µm and one place more it would be 60.0."""
    place = {"name": "face", "role": "visible", "lower": Decimal(60), "upper": Decimal(120), "spots": 1}
    of_job = scenario.job(["face"], location=[{**place, "readings_per_spot": 26}])
    (row,) = _view(of_job=of_job, shown=[["60"] * 25 + ["59"]]).builds
    assert (row.mean, row.least, row.greatest, row.count) == ("59.96", "59", "60", "26")


def test_dates_carry_their_offset_and_the_day_is_the_shop_s_own() -> None:
    of = scenario.evidence(of_shop=scenario.shop(time_zone="Pacific/Auckland"))
    late = scenario.facts(issued_at=datetime(2026, 3, 4, 16, 30, tzinfo=UTC))
    view = certificate_view(of, judge(of), late)
    assert view.issued.replace("\u00a0", " ") == "issued 2026-03-05 05:30 (UTC+13:00)"
    assert "UTC+13:00" in view.readings_taken


def test_counts_are_those_of_the_readings_judged() -> None:
    excluded = {"counted": False, "excluded_reason": "probe slipped", "excluded_by": "IDA"}
    view = _view(reading={2: excluded, 7: excluded, 8: excluded})
    assert [b.count for b in view.builds] == ["4", "3"] + ["5"] * 10
    assert (sum(len(r.builds.split()) for r in view.readings), len(view.kept)) == (57, 3)
    said = {f.label: f.text for f in view.order}
    assert (said["Pieces in the lot"], said["Pieces measured"]) == ("40", "1")


def test_what_was_not_measured_and_what_was_noted_stands_there() -> None:
    notes = json.dumps([{"at": None, "by": "IDA", "what": "hanger mark on the latch side"}])
    view = _view(inspection={"notes_json": notes})
    assert "39 of the 40 pieces in the lot were not measured." in view.not_measured
    assert "Note by IDA: hanger mark on the latch side" in view.not_measured


def test_excluded_readings_and_other_lines_stand_in_the_annex_with_their_reasons() -> None:
    excluded = {"counted": False, "excluded_reason": "probe slipped", "excluded_by": "IDA"}
    other = [
        {"line_no": 9, "source": "typed", "at": "2026-03-04T13:06:00+00:00", "text": "\x1bLOW", "why": "battery low"}
    ]
    view = _view(reading={3: excluded}, inspection={"other_lines_json": json.dumps(other)})
    (kept,) = view.kept
    assert (kept.number, kept.reason, kept.by) == ("3", "probe slipped", "Ida Brandt (IDA)")
    assert (view.other_lines[0].time, view.other_lines[0].text) == ("14:06:00", "\\x1bLOW")
    assert view.other_lines[0].why == "battery low"


def test_a_deviation_and_what_is_superseded_are_named_with_who_and_why() -> None:
    of = scenario.evidence(checks=scenario.opening())
    facts = scenario.facts(
        revision=2, supersedes=1, superseded_why="wrong order", deviation="Closing check left out.", deviation_by="TOM"
    )
    view = certificate_view(of, judge(of), facts)
    assert view.verdict == "undecided"
    assert view.deviation == "Closing check left out. Stated by Tomasz Żółkiewski, quality manager."
    assert view.supersedes == "Supersedes revision 1 of this certificate: wrong order"


def test_a_first_certificate_without_deviation_says_neither() -> None:
    view = _view()
    assert (view.deviation, view.supersedes) == ("", "")


def test_a_signer_whom_the_shop_does_not_know_is_refused() -> None:
    of = scenario.evidence()
    with pytest.raises(BadInput, match="there is no inspector 'ZED'"):
        certificate_view(of, judge(of), scenario.facts(signer="ZED"))


def test_readings_without_a_covering_check_are_not_said_to_conform() -> None:
    view = _view(checks=scenario.opening())
    assert view.verdict == "undecided"
    assert "the gauge was not shown to be right" in view.verdict_sentence
    assert "By the rule below, the items measured conform" not in view.verdict_sentence


def test_the_decision_rule_and_the_worth_of_the_key_are_said_in_plain_words() -> None:
    """ISO/IEC 17025:2017, 7.8.6.2 asks for the decision rule that was applied (from memory)."""
    view = _view()
    said = json.dumps(view.stated(), ensure_ascii=False)
    assert "Simple acceptance" in said
    assert "The shop made that key itself" in said
    assert "qualified" not in said
    assert "legally binding" not in said


def test_an_order_in_mil_is_printed_in_mil() -> None:
    view = _view(of_job=scenario.job(["face"], unit="mil"), shown=[["3.12", "3.14", "3.2", "3.3", "3.4"]])
    assert (view.unit, view.builds[0].least, view.builds[0].greatest) == ("mil", "3.12", "3.40")


def test_a_gauge_in_micrometres_on_an_order_in_mil_shows_both_figures() -> None:
    """80 µm are 80 / 25.4 = 3.1496 mil (1 in = 25.4 mm exactly: NIST SP 811, from memory)."""
    in_um = {n: {"unit": "um", "shown": "80", "thickness_um": Decimal("80.0000")} for n in range(1, 6)}
    view = _view(of_job=scenario.job(["face"], unit="mil"), shown=[["3.15"] * 5], reading=in_um)
    assert (view.unit, view.builds[0].least, view.readings[0].builds.split()[0]) == ("mil", "3.15", "3.15")
    assert (view.readings[0].shown.split(), view.shown_otherwise) == (["80"] * 5, True)
    assert "the figures on the gauge, in µm" in view.readings_intro


def test_stripping_is_never_advised_without_its_cautions() -> None:
    view = _view(shown=[["130.5", "90", "90", "90", "90"], *scenario.figures(11, 5)])
    strip = next(a for a in view.advice if "strip" in a.action)
    assert len(strip.cautions) > 0
    assert all(c.text and c.authority for c in strip.cautions)


def test_what_was_left_out_and_why_the_inspection_was_revised_stand_with_what_was_not_measured() -> None:
    out = {"counted": False, "excluded_reason": "probe slipped", "excluded_by": "IDA"}
    revised = {"revision": 2, "supersedes": 1, "superseded_why": "looked at the spot again"}
    evidence = scenario.evidence(reading={3: out}, inspection=revised)
    view = certificate_view(evidence, judge(evidence), scenario.facts())
    assert "1 reading kept and not judged. The reason for it stands in the annex." in view.not_measured
    assert "Revision 2 of the inspection supersedes revision 1: looked at the spot again" in view.not_measured
    assert [(row.number, row.reason, row.by) for row in view.kept] == [("3", "probe slipped", "Ida Brandt (IDA)")]


def _guarded(accepts: str, *shown: list[str], **decision: object) -> CertificateView:
    names = [f"place {n}" for n in range(1, len(shown) + 1)]
    terms = {"rule": "guard-band", **decision}
    return _view(of_job=scenario.job(names, rule={"name": accepts}, decision=terms), shown=list(shown))


def test_with_a_guard_band_the_page_says_what_decided_at_each_location_where_it_conforms_too() -> None:
    """By hand, of one reading of 72.0 µm with a gauge of 1 µm + 1 %: accuracy 1.72/√3 = 0.993, standard 0.25, error 0.2
    carried 0.115, last place 0.029, readings on the standards alike: u = 1.031 and U = 2.02. At 99.5 µm: 1.995/√3 = 1.152,
    so u = 1.185 and U = 2.32. The acceptance limits are 60 + 2.02 and 120 - 2.32."""
    view = _guarded("every-reading", ["72.0", "80.5", "90.0", "95.0", "99.5"])
    assert view.verdict == "conforms"
    assert view.notable == (
        "place 1, least favourable with its guard band w: "
        "lowest reading 72.0 µm (piece 1): U 2.0 µm, w 2.0 µm, limit 60 µm, accepted from 62.0 µm; "
        "highest reading 99.5 µm (piece 1): U 2.3 µm, w 2.3 µm, limit 120 µm, accepted up to 117.7 µm",
    )
    half = _guarded("every-reading", ["72.0", "80.5", "90.0", "95.0", "99.5"], guard_factor=Decimal("0.5"))
    assert "U 2.0 µm, w 1.0 µm, limit 60 µm, accepted from 61.0 µm" in half.notable[0]


def test_by_simple_acceptance_no_guard_band_is_spoken_of() -> None:
    assert _guarded("every-reading", ["72.0", "80.5", "90.0", "95.0", "99.5"], rule="simple").notable == ()


def test_of_several_pieces_the_one_with_the_least_room_is_named_with_the_u_of_its_own_mean() -> None:
    of_job = scenario.job(["face"], rule={"name": "location-means"}, decision={"rule": "guard-band"})
    shown = [["88.0", "90.0", "92.0", "89.0", "91.0", "78.0", "80.0", "82.0", "79.0", "81.0"]]
    second = {n: {"piece": "2"} for n in range(6, 11)}
    of = scenario.evidence(of_job, shown=shown, reading=second)
    assessment = judge(of)
    (said,) = certificate_view(of, assessment, scenario.facts()).notable
    low = next(f for f in assessment.locations[0].findings if f.piece == "2" and f.low)
    assert low.guard is not None
    pooled = assessment.locations[0].uncertainty
    assert pooled is not None
    assert low.guard.expanded > pooled.expanded
    assert f"mean of the readings 80.0 µm (piece 2): U {float(low.guard.expanded):.1f} µm" in said
    assert f"limit 60 µm, accepted from {float(low.guard.acceptance):.1f} µm" in said
    assert "mean of the readings 90.0 µm (piece 1)" in said
    assert said.count("piece") == 2


def test_what_is_judged_over_several_locations_is_said_of_them_together() -> None:
    of_job = scenario.job(
        scenario.PLACES[:5], rule={"name": "architectural-label"}, decision={"rule": "guard-band"}, base_reading=False
    )
    said = _view(of_job=of_job).notable
    assert [s for s in said if s.startswith("Several locations together, least favourable with its guard band w: mean")]


def test_a_number_that_decides_and_is_not_the_lowest_is_not_called_so() -> None:
    """The error of 6 µm at the standard of 251.5 is carried from 150.65 µm on, so 150.8 has less room than 150.4."""
    checks = [
        dataclasses.replace(c, mean_um=c.mean_um + 6, error_um=Decimal(6))
        if c.standard_id == "S-250" and c.mean_um is not None
        else c
        for c in scenario.evidence().checks
    ]
    place = {"name": "face", "role": "visible", "lower": Decimal(145), "spots": 1, "readings_per_spot": 5}
    of_job = scenario.job(["face"], location=[place], decision={"rule": "guard-band"})
    view = _view(of_job=of_job, shown=[["150.4", "150.8", "180.0", "190.0", "200.0"]], checks=checks)
    (said, *_) = view.notable
    assert said.startswith("face, least favourable with its guard band w: 150.8 µm (piece 1): U 7.")
    assert view.verdict == "does not conform"
    assert (
        "lowest reading 150.4 µm meets the lower limit 145 µm; 150.8 µm decides, by its own guard band"
        in (view.findings[0])
    )


def test_the_budget_says_at_which_value_it_stands() -> None:
    assert "Both are U at the location's mean; decisions and risks take U at the value judged." in _view().budget_intro
