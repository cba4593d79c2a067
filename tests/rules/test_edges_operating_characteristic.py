"""Edges of the operating characteristic, worked by hand."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from rules.operating_characteristic import (
    Point,
    consumers_risk_pieces,
    consumers_risk_quality,
    curve,
    curve_of_lot,
    probability_of_acceptance,
    probability_of_acceptance_of_lot,
    producers_risk,
)


def test_the_curve_of_a_lot_goes_from_no_nonconforming_piece_to_all() -> None:
    """One piece of four: it conforms as often as the conforming ones are among them."""
    assert curve_of_lot(1, 0, 4) == tuple(Point(Fraction(d, 4), 1 - Fraction(d, 4)) for d in range(5))
    assert curve_of_lot(1, 0, 4, [3, 1]) == (
        Point(Fraction(3, 4), Fraction(1, 4)),
        Point(Fraction(1, 4), Fraction(3, 4)),
    )


def test_the_curve_of_a_process_stands_in_the_order_asked() -> None:
    assert curve(2, 0, [Fraction(1, 2), 0]) == (Point(Fraction(1, 2), Fraction(1, 4)), Point(Fraction(0), Fraction(1)))


def test_the_quality_at_the_consumers_risk_has_six_decimals_and_is_rounded_up() -> None:
    """One piece is accepted with the share that conforms: 10 % of it at 0.9, a third of it at 2/3."""
    assert str(consumers_risk_quality(1, 0)) == "0.900000"
    assert str(consumers_risk_quality(1, 0, Fraction(1, 3))) == "0.666667"
    assert str(consumers_risk_quality(1, 0, Fraction(1, 3), places=2)) == "0.67"


def test_the_smallest_share_that_can_be_said_is_one_in_the_last_place() -> None:
    nearly_all = 1 - Fraction(1, 10**7)
    assert consumers_risk_quality(1, 0, nearly_all) == Decimal("0.000001")


def test_pieces_with_which_the_risk_is_just_met_are_enough() -> None:
    """One piece of ten: with nine nonconforming ones it conforms one time in ten."""
    assert consumers_risk_pieces(1, 0, 10) == 9
    assert consumers_risk_pieces(1, 0, 10, Fraction(9, 10)) == 1
    assert consumers_risk_pieces(1, 0, 10, Fraction(89, 100)) == 2
    assert consumers_risk_pieces(1, 0, 1) == 1


def test_the_producers_risk_takes_the_aql_in_percent() -> None:
    assert producers_risk(1, 0, 10) == Fraction(1, 10)
    assert producers_risk(2, 1, Decimal(10)) == Fraction(1, 100)


def test_the_ends_of_what_can_be_asked() -> None:
    assert [probability_of_acceptance(3, 0, share) for share in (0, 1)] == [1, 0]
    assert [probability_of_acceptance_of_lot(2, 0, 2, d) for d in (0, 1, 2)] == [1, 0, 0]
    assert probability_of_acceptance(3, 5, Fraction(1, 2)) == 1
    assert probability_of_acceptance_of_lot(2, 3, 4, 2) == 1


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        pytest.param(
            lambda: probability_of_acceptance(0, 0, 0),
            "no plan measures 0 pieces and accepts with up to 0 nonconforming",
            id="nothing measured",
        ),
        pytest.param(
            lambda: probability_of_acceptance(1, -1, 0),
            "no plan measures 1 pieces and accepts with up to -1 nonconforming",
            id="less than none accepted",
        ),
        pytest.param(
            lambda: probability_of_acceptance(1, 0, 2),
            "a share nonconforming is from 0 to 1, not 2",
            id="share above 1",
        ),
        pytest.param(
            lambda: probability_of_acceptance(1, 0, -1),
            "a share nonconforming is from 0 to 1, not -1",
            id="share below 0",
        ),
        pytest.param(
            lambda: probability_of_acceptance_of_lot(3, 0, 2, 0),
            "3 pieces cannot be measured of a lot of 2",
            id="more than the lot has",
        ),
        pytest.param(
            lambda: probability_of_acceptance_of_lot(0, 0, 2, 0),
            "no plan measures 0 pieces and accepts with up to 0 nonconforming",
            id="nothing measured of a lot",
        ),
        pytest.param(
            lambda: probability_of_acceptance_of_lot(1, 0, 2, 3),
            "a lot of 2 has 0 to 2 nonconforming pieces, not 3",
            id="more nonconforming than the lot has",
        ),
        pytest.param(
            lambda: probability_of_acceptance_of_lot(1, 0, 2, -1),
            "a lot of 2 has 0 to 2 nonconforming pieces, not -1",
            id="fewer than none nonconforming",
        ),
        pytest.param(
            lambda: consumers_risk_pieces(3, 0, 2),
            "3 pieces cannot be measured of a lot of 2",
            id="risk of a small lot",
        ),
        pytest.param(
            lambda: consumers_risk_quality(2, 2),
            "a plan of 2 pieces that accepts with 2 nonconforming never rejects",
            id="never rejects",
        ),
        pytest.param(lambda: consumers_risk_quality(2, 1, 0), "a risk is between 0 and 1, not 0", id="no risk"),
        pytest.param(lambda: consumers_risk_quality(2, 1, 1), "a risk is between 0 and 1, not 1", id="all risk"),
        pytest.param(
            lambda: consumers_risk_pieces(0, 0, 2),
            "no plan measures 0 pieces and accepts with up to 0 nonconforming",
            id="risk of nothing measured",
        ),
    ],
)
def test_what_has_no_answer_is_refused_in_words(call: object, sentence: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        call()
