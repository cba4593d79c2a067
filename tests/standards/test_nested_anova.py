"""Nested analysis of variance against published tables, an independent library, and the closed forms in numpy.

Sources:

* Doncaster and Davey, Analysis of Variance and Covariance (Cambridge, 2007), data set of model 2.2, three-factor
  nested: data and table read on the authors' page. Their p were recomputed as well.
* Davies and Goldsmith, Statistical Methods in Research and Production (4th edition, 1972), strength of a paste by
  batch and cask: open data, taken from the tests of statsmodels, with the components that lme4 estimates (read there
  and in an independent project's reference values).
* statsmodels (PyPI): sequential sums of squares, and components by restricted maximum likelihood, which are those of
  the method of moments where the data are balanced and none is below zero.
* Unequal numbers: the coefficient n0 = (N - Σn²/N)/(a - 1) of a single classification is that of Snedecor and
  Cochran, Statistical Methods (from memory), and of ISO 5725-2:1994, 7.4.5 (from memory).
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from importlib import resources
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from rules.variation import Level, Variation, nested_variation

Row = tuple[str, str, int, Decimal]

DONCASTER_DAVEY = """
4.5924 -0.5488, 6.1605 2.3374; 5.1873 3.3579, 6.3092 3.2831
7.3809 9.2085, 13.1147 15.2654; 12.4188 14.3951, 8.5986 3.4945
21.3220 25.0426, 22.6600 24.1283; 16.5927 10.2129, 9.8934 10.0203
"""
#: Invented: what matters is the layout, with unequal numbers at every level.
UNEQUAL = """
2.1 2.3 2.2, 2.6; 2.9 2.8
3.4, 3.1 3.0 3.3; 2.7 2.2, 2.5 2.5 2.9; 3.8
1.9 2.0, 2.4, 2.2 2.6 2.1
"""


def _rows(text: str) -> list[Row]:
    """Return piece, location, spot and value from text: a line a piece, locations apart by ;, spots by a comma."""
    return [
        (f"piece {piece}", f"location {location}", spot, Decimal(value))
        for piece, line in enumerate(text.strip().splitlines())
        for location, spots in enumerate(line.split(";"))
        for spot, values in enumerate(spots.split(","))
        for value in values.split()
    ]


def _analysed(rows: list[Row]) -> Variation:
    builds: dict[str, dict[str, dict[int, list[Decimal]]]] = {}
    for piece, location, spot, value in rows:
        builds.setdefault(piece, {}).setdefault(location, {}).setdefault(spot, []).append(value)
    return nested_variation(builds)


def _frame(rows: list[Row]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "y": [float(row[3]) for row in rows],
            "piece": [row[0] for row in rows],
            "location": ["/".join(row[:2]) for row in rows],
            "spot": [f"{row[0]}/{row[1]}/{row[2]}" for row in rows],
            "named": [row[1] for row in rows],
        }
    )


def _paste() -> list[Row]:
    """Return the paste data: a batch is a piece, a cask a location, and each was analysed twice, at one spot."""
    file = resources.files("statsmodels.regression.tests.results").joinpath("pastes.csv")
    lines = file.read_text(encoding="utf-8").splitlines()[1:]
    cells = [line.replace('"', "").split(",") for line in lines]
    return [(batch, cask, 1, Decimal(strength)) for _, strength, batch, cask, _ in cells]


def _groupings(rows: list[Row]) -> Iterator[np.ndarray]:
    """Yield, level by level from all readings together down to each one, the matrix that says who belongs to what."""
    paths = [(*row[:3], at) for at, row in enumerate(rows)]
    for depth in range(5):
        names = [path[:depth] for path in paths]
        yield np.array([[name == column for column in dict.fromkeys(names)] for name in names], dtype=float)


def test_the_table_of_a_published_three_factor_nested_design_comes_out() -> None:
    found = _analysed(_rows(DONCASTER_DAVEY))
    assert [level.degrees for level in found.levels] == [2, 3, 6, 12]
    assert [f"{float(level.sum_of_squares):.2f}" for level in found.levels] == ["745.36", "278.02", "106.08", "74.10"]
    assert [f"{float(level.mean_square or 0):.2f}" for level in found.levels[:3]] == ["372.68", "92.67", "17.68"]
    assert f"{float(found.sum_of_squares):.2f}" == "1203.56"


def test_the_last_mean_square_of_that_table_is_printed_from_the_rounded_sum() -> None:
    """Printed is 6.18, which is 74.10/12 rounded; the data as printed give 6.1747."""
    assert Decimal("74.10") / 12 == Decimal("6.175")
    assert f"{float(_analysed(_rows(DONCASTER_DAVEY)).at(Level.READING).mean_square or 0):.4f}" == "6.1747"


def test_the_ratios_of_that_table_come_out_of_the_mean_squares() -> None:
    levels = _analysed(_rows(DONCASTER_DAVEY)).levels
    squares = [level.mean_square or Fraction(0) for level in levels]
    ratios = [float(squares[at] / squares[at + 1]) for at in range(3)]
    tails = [stats.f.sf(f, levels[at].degrees, levels[at + 1].degrees) for at, f in enumerate(ratios)]
    assert [f"{f:.2f}" for f in ratios] == ["4.02", "5.24", "2.86"]
    assert [f"{p:.3f}" for p in tails] == ["0.142", "0.041", "0.057"]


def test_the_components_of_the_paste_data_are_those_that_lme4_estimates() -> None:
    found = _analysed(_paste())
    assert found.balanced
    assert [level.degrees for level in found.levels] == [9, 20, 0, 30]
    assert f"{float(found.at(Level.PIECE).component or 0):.3f}" == "1.657"
    assert f"{float(found.at(Level.READING).component or 0):.3f}" == "0.678"
    assert float(found.at(Level.PIECE).deviation or 0) == pytest.approx(1.287366, abs=2e-6)
    assert float(found.at(Level.LOCATION).deviation or 0) == pytest.approx(2.904077, abs=2e-6)
    assert f"{float(found.mean):.4f}" == "60.0533"


def test_the_components_of_the_paste_data_are_those_of_a_mixed_model_in_statsmodels() -> None:
    rows = _paste()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library warns of its own optimiser
        model = smf.mixedlm(
            "y ~ 1", _frame(rows), groups="piece", re_formula="1", vc_formula={"location": "0 + C(named)"}
        )
        fitted = model.fit(reml=True)
    found = _analysed(rows)
    components = [float(level.component or 0) for level in found.levels]
    assert components[0] == pytest.approx(float(fitted.cov_re.iloc[0, 0]), rel=1e-3)
    assert components[1] == pytest.approx(float(fitted.vcomp[0]), rel=1e-3)
    assert components[3] == pytest.approx(float(fitted.scale), rel=1e-3)


@pytest.mark.parametrize(
    "rows",
    [
        pytest.param(_rows(DONCASTER_DAVEY), id="balanced"),
        pytest.param(_paste(), id="one spot a location"),
        pytest.param(_rows(UNEQUAL), id="unequal numbers"),
    ],
)
def test_the_sums_of_squares_are_those_of_statsmodels(rows: list[Row]) -> None:
    """Sequential models, each with the groups of one level: the fall of the residual is the level's sum of squares."""
    frame = _frame(rows)
    fits = [smf.ols(f"y ~ {term}", frame).fit() for term in ("1", "C(piece)", "C(location)", "C(spot)")]
    found = _analysed(rows)
    falls = [outer.ssr - inner.ssr for outer, inner in pairwise(fits)]
    degrees = [outer.df_resid - inner.df_resid for outer, inner in pairwise(fits)]
    assert [float(level.sum_of_squares) for level in found.levels] == pytest.approx([*falls, fits[-1].ssr], abs=1e-9)
    assert [level.degrees for level in found.levels] == [*degrees, fits[-1].df_resid]


def test_a_nested_formula_in_statsmodels_gives_the_same_table() -> None:
    rows = _rows(DONCASTER_DAVEY)
    frame = _frame(rows).assign(place=[str(row[2]) for row in rows])
    table = anova_lm(smf.ols("y ~ C(piece) + C(piece):C(named) + C(piece):C(named):C(place)", frame).fit(), typ=1)
    found = _analysed(rows)
    assert [float(level.sum_of_squares) for level in found.levels] == pytest.approx(list(table["sum_sq"]))
    assert [level.degrees for level in found.levels] == [int(df) for df in table["df"]]


def test_balanced_data_agree_with_the_closed_form() -> None:
    """Mean squares from the means of an array; components from their differences over the readings of a member."""
    values = np.array([float(row[3]) for row in _rows(DONCASTER_DAVEY)]).reshape(3, 2, 2, 2)
    spots, locations, pieces = values.mean(3), values.mean((2, 3)), values.mean((1, 2, 3))
    squares = np.array(
        [
            8 * ((pieces - values.mean()) ** 2).sum() / 2,
            4 * ((locations - pieces[:, None]) ** 2).sum() / 3,
            2 * ((spots - locations[:, :, None]) ** 2).sum() / 6,
            ((values - spots[..., None]) ** 2).sum() / 12,
        ]
    )
    components = [*(squares[:-1] - squares[1:]) / [8, 4, 2], squares[-1]]
    found = _analysed(_rows(DONCASTER_DAVEY))
    assert [float(level.mean_square or 0) for level in found.levels] == pytest.approx(list(squares))
    assert [float(level.estimate or 0) for level in found.levels] == pytest.approx(components)
    assert [float(level.share or 0) for level in found.levels] == pytest.approx(
        [c / sum(components) for c in components]
    )
    assert [list(level.expected) for level in found.levels] == [[8, 4, 2, 1], [4, 2, 1], [2, 1], [1]]


@pytest.mark.parametrize("text", [DONCASTER_DAVEY, UNEQUAL], ids=["balanced", "unequal numbers"])
def test_the_expected_mean_squares_are_the_traces_of_the_quadratic_forms(text: str) -> None:
    """E(y'Ay) = tr(A V) for a quadratic form in variables with covariance V: from any textbook of linear models."""
    rows = _rows(text)
    matrices = list(_groupings(rows))
    projections = [z @ np.linalg.inv(z.T @ z) @ z.T for z in matrices]
    for depth, level in enumerate(_analysed(rows).levels, start=1):
        form = (projections[depth] - projections[depth - 1]) / level.degrees
        traces = [np.trace(form @ z @ z.T) for z in matrices]
        assert [float(k) for k in level.expected] == pytest.approx(traces[depth:])
        assert traces[:depth] == pytest.approx([0] * depth, abs=1e-9)


def test_the_components_of_unequal_numbers_solve_the_equations_of_the_expected_mean_squares() -> None:
    found = _analysed(_rows(UNEQUAL))
    assert not found.balanced
    matrix = np.zeros((4, 4))
    for at, level in enumerate(found.levels):
        matrix[at, at:] = [float(k) for k in level.expected]
    solved = np.linalg.solve(matrix, [float(level.mean_square or 0) for level in found.levels])
    assert [float(level.estimate or 0) for level in found.levels] == pytest.approx(list(solved))


@pytest.mark.parametrize("numbers", [(3, 3, 3), (1, 5, 2, 4), (2, 9)], ids=str)
def test_a_single_classification_has_the_textbook_coefficient(numbers: tuple[int, ...]) -> None:
    builds = {
        f"piece {at}": {"face": {1: [Fraction(at * at + reading, 7) for reading in range(n)]}}
        for at, n in enumerate(numbers)
    }
    piece = nested_variation(builds).at(Level.PIECE)
    total = sum(numbers)
    assert piece.expected[0] == (total - Fraction(sum(n * n for n in numbers), total)) / (len(numbers) - 1)
