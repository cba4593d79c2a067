"""Every rounding, and what a certificate says in words."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from report.assessing import judge
from report.figures import figure, figure_between, fingerprint, limits, moment
from report.view import CertificateView, certificate_view
from tests.report import scenario


def _view(**changes: object) -> CertificateView:
    of = scenario.evidence(**changes)  # type: ignore[arg-type]
    return certificate_view(of, judge(of), scenario.facts())


@pytest.mark.parametrize(
    ("number", "places", "written"),
    [
        (Fraction(1, 3), 2, "0.33"),
        (Fraction(-1, 1000), 1, "0.0"),
        (Fraction(-5, 2), 1, "\u22122.5"),
        (Fraction(5, 2), 0, "2"),
        (Fraction(7, 2), 0, "4"),
        (None, 1, "\u2013"),
    ],
)
def test_a_number_is_rounded_once_half_to_even_and_never_to_minus_zero(
    number: Fraction | None, places: int, written: str
) -> None:
    assert figure(number, places) == written


@pytest.mark.parametrize(
    ("number", "written"),
    [("59.96", "59.96"), ("60", "60.0"), ("60.04", "60.04"), ("61.04", "61.0"), ("59.999", "59.999")],
)
def test_a_rounded_number_never_lies_about_the_limit_beside_it(number: str, written: str) -> None:
    assert figure_between(Fraction(number), 1, [Decimal("60.0"), None]) == written


def test_a_moment_carries_its_offset_in_summer_and_in_winter() -> None:
    zone = ZoneInfo("Europe/Berlin")
    assert (
        moment(datetime(2026, 7, 1, 12, 0, tzinfo=UTC), zone).replace("\u00a0", " ") == "2026-07-01 14:00 (UTC+02:00)"
    )
    assert (
        moment(datetime(2026, 1, 1, 12, 0, tzinfo=UTC), zone).replace("\u00a0", " ") == "2026-01-01 13:00 (UTC+01:00)"
    )


def test_limits_say_which_of_them_there_is() -> None:
    shown = [
        limits(Decimal("2.0"), Decimal("4.0")),
        limits(Decimal(2), None),
        limits(None, Decimal(4)),
        limits(None, None),
    ]
    assert [s.replace("\u00a0", " ") for s in shown] == ["2.0 \u2013 4.0", "at least 2", "at most 4", "\u2013"]


def test_a_fingerprint_is_written_in_groups_of_four() -> None:
    assert fingerprint("0123456789ab") == "0123 4567 89ab"


def test_a_conforming_lot_lists_no_finding_and_no_advice() -> None:
    view = _view()
    assert (view.verdict, view.findings, view.advice) == ("conforms", (), ())
    assert len(view.builds) == 12
    assert len(view.readings) == 60


def test_a_reading_outside_its_limits_is_a_finding_with_its_numbers() -> None:
    view = _view(shown=[["130.5", "90", "90", "90", "90"], *scenario.figures(11, 5)])
    assert view.verdict == "does not conform"
    assert any("130.5" in f and "120" in f for f in view.findings)
    assert view.builds[0].verdict == "does not conform"


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


def test_a_deviation_and_what_is_superseded_are_named_with_who_and_why() -> None:
    of = scenario.evidence(checks=scenario.opening())
    facts = scenario.facts(
        revision=2, supersedes=1, superseded_why="wrong order", deviation="Closing check left out.", deviation_by="TOM"
    )
    view = certificate_view(of, judge(of), facts)
    assert view.verdict == "undecided"
    assert view.deviation == "Closing check left out. Stated by Tomasz Żółkiewski, quality manager."
    assert view.supersedes == "Supersedes revision 1 of this certificate: wrong order"


def test_the_decision_rule_and_the_worth_of_the_key_are_said_in_plain_words() -> None:
    view = _view()
    said = json.dumps(view.stated(), ensure_ascii=False)
    assert "Simple acceptance" in said
    assert "The shop made that key itself" in said
    assert "qualified" not in said
    assert "legally binding" not in said


def test_a_gauge_in_micrometres_on_a_mil_order_is_printed_in_mil() -> None:
    of_job = scenario.job(["face"], unit="mil")
    of = scenario.evidence(of_job, shown=[["3.12", "3.14", "3.2", "3.3", "3.4"]])
    view = certificate_view(of, judge(of), scenario.facts())
    assert (view.unit, view.builds[0].least, view.builds[0].greatest) == ("mil", "3.12", "3.40")
