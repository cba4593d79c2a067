"""The rules that allow a share of low readings: their findings and their text, word for word."""

from __future__ import annotations

from decimal import Decimal, localcontext
from fractions import Fraction
from typing import Any

import pytest

from rules.places import PieceLocation
from rules.rounding import Comparison
from rules.share_rules import SHARE_RULES, text_of
from rules.verdict import Finding, Verdict
from schemas.units import Unit
from tests.rules.builders import job, location

SHARE = "share of low readings"


def _findings(
    builds: str, lower: str | None = "60", upper: str | None = None, comparison: str = "absolute", **rule: Any
) -> list[Finding]:
    asked = job(location("rail", "60", "90"), rule={**rule, "comparison": comparison}, unit="um").rule
    # A job with the rule itself refuses a location without the limits that it needs.
    at = job(location("rail", lower, upper), unit="um").location[0]
    numbers = {1: tuple(Fraction(build) for build in builds.split())} if builds else {}
    place = PieceLocation("7", at, numbers, Comparison(comparison))
    return SHARE_RULES[asked.name].judge([place], asked, Unit.UM)


def _text(**rule: Any) -> str:
    return text_of(job(location("rail", "60", "90"), rule=rule, unit="um").rule)


def _share(verdict: Verdict, said: str, found: Fraction, limit: Fraction) -> Finding:
    return Finding(verdict, SHARE, f"piece 7, rail: {said}", location="rail", piece="7", found=found, limit=limit)


def _compared(
    verdict: Verdict, check: str, said: str, found: str, limit: Decimal | Fraction, *, low: bool, averaged: int = 1
) -> Finding:
    return Finding(
        verdict,
        check,
        f"piece 7, rail: {said}",
        location="rail",
        piece="7",
        found=Fraction(found),
        limit=limit,
        low=low,
        averaged=averaged,
    )


# Architectural aluminium


def test_none_below_the_floor_as_85_percent_of_nominal() -> None:
    assert _findings("61 60 62 60 51", "60", "90", name="architectural-aluminium") == [
        _share(
            Verdict.PASS,
            "4 of 5 readings reach nominal 60 µm; at least 80 % do",
            Fraction(4, 5),
            Fraction(4, 5),
        ),
        _compared(
            Verdict.PASS,
            "lowest reading",
            "lowest reading 51.0 µm meets the floor, 85 % of nominal, 51 µm",
            "51",
            Fraction(51),
            low=True,
        ),
        _compared(
            Verdict.PASS,
            "highest reading",
            "highest reading 62.0 µm is within the upper limit that the job sets 90 µm",
            "62",
            Decimal(90),
            low=False,
        ),
    ]


def test_none_below_the_floor_that_the_job_gives() -> None:
    assert _findings("61 59 62 49", name="architectural-aluminium", floor=Decimal(50)) == [
        _share(
            Verdict.FAIL,
            "2 of 4 readings reach nominal 60 µm; at least 80 % should",
            Fraction(1, 2),
            Fraction(4, 5),
        ),
        _compared(
            Verdict.FAIL,
            "lowest reading",
            "lowest reading 49.0 µm is below the floor 50 µm",
            "49",
            Decimal(50),
            low=True,
        ),
    ]


def test_five_percent_below_the_floor() -> None:
    rule: dict[str, Any] = {"name": "architectural-aluminium", "wording": "five-percent-below-floor"}
    assert _findings("60 " * 19 + "50.9", **rule) == [
        _share(
            Verdict.PASS,
            "1 of 20 readings lies below the floor, 85 % of nominal, 51 µm; at most 5 % may",
            Fraction(1, 20),
            Fraction(1, 20),
        )
    ]
    assert _findings("60 " * 18 + "49 49", **rule, floor=Decimal(50)) == [
        _share(
            Verdict.FAIL,
            "2 of 20 readings lie below the floor 50 µm; at most 5 % may",
            Fraction(1, 10),
            Fraction(1, 20),
        )
    ]
    assert _findings("60 60", **rule)[0].sentence == (
        "piece 7, rail: 0 of 2 readings lie below the floor, 85 % of nominal, 51 µm; at most 5 % may"
    )


def test_a_floor_that_was_written_is_rounded_to_and_a_derived_one_is_not() -> None:
    rule: dict[str, Any] = {"name": "architectural-aluminium", "wording": "five-percent-below-floor"}
    written = _findings("49.6", comparison="rounding", floor=Decimal(50), **rule)[0]
    derived = _findings("50.6", comparison="rounding", **rule)[0]
    assert (written.found, derived.found) == (0, 1)
    assert _findings("49.6", floor=Decimal(50), **rule)[0].found == 1


def test_a_nominal_that_was_written_is_rounded_to() -> None:
    assert _findings("59.6", comparison="rounding", name="ninety-ten")[0].found == 1
    assert _findings("59.6", name="ninety-ten")[0].found == 0


# 90/10


def test_ninety_ten_word_for_word() -> None:
    assert _findings("60 " * 9 + "54", "60", "90", name="ninety-ten") == [
        _share(
            Verdict.PASS,
            "9 of 10 readings reach nominal 60 µm; at least 90 % do",
            Fraction(9, 10),
            Fraction(9, 10),
        ),
        _compared(
            Verdict.PASS,
            "lowest reading",
            "lowest reading 54.0 µm meets 90 % of nominal 54 µm",
            "54",
            Fraction(54),
            low=True,
        ),
        _compared(
            Verdict.PASS,
            "highest reading",
            "highest reading 60.0 µm is within the upper limit that the job sets 90 µm",
            "60",
            Decimal(90),
            low=False,
        ),
    ]
    assert [f.verdict for f in _findings("61 59", name="ninety-ten")] == [Verdict.FAIL, Verdict.PASS]
    assert _findings("61", name="ninety-ten")[0].sentence == (
        "piece 7, rail: 1 of 1 reading reaches nominal 60 µm; at least 90 % do"
    )


# A rule of the shop's own


def test_every_piece_of_a_shop_rule_word_for_word() -> None:
    found = _findings(
        "60 70 80 90 100",
        "60",
        "90",
        name="shop-rule",
        mean_at_least=Decimal("1.1"),
        each_at_least=Decimal("0.8"),
        at_most_below=Decimal("0.125"),
        each_at_most=Decimal("1.1"),
    )
    assert found == [
        _compared(
            Verdict.PASS,
            "mean of the readings",
            "mean of the readings 80.0 µm meets 110 % of the lower limit 66 µm",
            "80",
            Fraction(66),
            low=True,
            averaged=5,
        ),
        _compared(
            Verdict.PASS,
            "lowest reading",
            "lowest reading 60.0 µm meets 80 % of the lower limit 48 µm",
            "60",
            Fraction(48),
            low=True,
        ),
        _share(
            Verdict.PASS,
            "0 of 5 readings lie below the lower limit 60 µm; at most 12.5 % may",
            Fraction(0),
            Fraction(1, 8),
        ),
        _compared(
            Verdict.FAIL,
            "highest reading",
            "highest reading 100.0 µm is above 110 % of the upper limit 99 µm",
            "100",
            Fraction(99),
            low=False,
        ),
    ]


def test_the_whole_of_a_limit_is_the_limit_as_it_was_written() -> None:
    """And is rounded to, where the job compares so: a share of it is not."""
    whole: dict[str, Any] = {"name": "shop-rule", "mean_at_least": Decimal("1.0"), "each_at_most": Decimal(1)}
    lower, upper = _findings("59.6 90.4", "60", "90", comparison="rounding", **whole)
    assert (lower.verdict, lower.limit, lower.averaged) == (Verdict.PASS, Decimal(60), 2)
    assert isinstance(lower.limit, Decimal)
    assert lower.sentence == (
        "piece 7, rail: mean of the readings 75.0 µm, rounded to the last place of the limit, meets the lower limit 60 µm"
    )
    assert upper.sentence == (
        "piece 7, rail: highest reading 90.4 µm, rounded to the last place of the limit, is within the upper limit 90 µm"
    )


@pytest.mark.parametrize("piece", ["mean_at_least", "each_at_least", "at_most_below", "each_at_most"])
def test_a_shop_rule_asks_what_it_is_made_of_and_of_the_limits_that_there_are(piece: str) -> None:
    rule: dict[str, Any] = {"name": "shop-rule", piece: Decimal("0.9")}
    assert len(_findings("70 80", "60", "90", **rule)) == 1
    asks_upper = piece == "each_at_most"
    assert len(_findings("70 80", "60", None, **rule)) == (0 if asks_upper else 1)
    assert len(_findings("70 80", None, "90", **rule)) == (1 if asks_upper else 0)


# All of them


@pytest.mark.parametrize(
    "rule",
    [
        {"name": "architectural-aluminium"},
        {"name": "ninety-ten"},
        {"name": "shop-rule", "mean_at_least": Decimal(1)},
    ],
    ids=lambda rule: str(rule["name"]),
)
def test_where_nothing_was_measured_or_no_limit_is_asked_about_there_is_no_finding(rule: dict[str, Any]) -> None:
    assert _findings("", **rule) == []
    findings = _findings("70", None, "90", **rule)
    assert [f.check for f in findings] == ([] if rule["name"] == "shop-rule" else ["highest reading"])


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        pytest.param(
            {"name": "ninety-ten"},
            "At each location at least 90 % of the readings reach nominal, the lower limit, and none lies below 90 % of it.",
            id="90/10",
        ),
        pytest.param(
            {"name": "architectural-aluminium"},
            "At each location at least 80 % of the readings reach nominal, the lower limit, and none lies below the floor "
            "of 85 % of nominal.",
            id="none below the floor",
        ),
        pytest.param(
            {"name": "architectural-aluminium", "floor": Decimal("25.0")},
            "At each location at least 80 % of the readings reach nominal, the lower limit, and none lies below the floor "
            "of 25.0.",
            id="none below a floor that is given",
        ),
        pytest.param(
            {"name": "architectural-aluminium", "wording": "five-percent-below-floor"},
            "At each location at most 5 % of the readings lie below the floor of 85 % of nominal.",
            id="5 percent below the floor",
        ),
        pytest.param(
            {
                "name": "shop-rule",
                "mean_at_least": Decimal(1),
                "each_at_least": Decimal("0.8"),
                "at_most_below": Decimal("0.05"),
                "each_at_most": Decimal("1.2"),
            },
            "At each location the mean is at least the lower limit; every reading is at least 80 % of the lower limit; at "
            "most 5 % of the readings lie below the lower limit; every reading is at most 120 % of the upper limit.",
            id="all of a shop's own",
        ),
        pytest.param(
            {"name": "shop-rule", "each_at_most": Decimal(1)},
            "At each location every reading is at most the upper limit.",
            id="one of a shop's own",
        ),
        pytest.param(
            {"name": "shop-rule", "at_most_below": Decimal(0)},
            "At each location at most 0 % of the readings lie below the lower limit.",
            id="none may lie below",
        ),
    ],
)
def test_a_rule_says_what_it_asks(rule: dict[str, Any], said: str) -> None:
    assert _text(**rule) == said


def test_a_share_of_many_places_is_said_in_full() -> None:
    """Whatever the caller's decimal context is."""
    with localcontext(prec=28):
        assert _text(name="shop-rule", at_most_below=Decimal("0.06255")) == (
            "At each location at most 6.255 % of the readings lie below the lower limit."
        )
