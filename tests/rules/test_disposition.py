"""First advice: what can be done, why, what to ask first, and the cautions that go with stripping."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from rules.assessment import assess
from rules.results import Action, Advice
from tests.rules.builders import both_checks, job, location, reading, shop
from tests.rules.test_cautions import RECIPE

RECOAT: dict[str, Any] = {"added_low": Decimal("1.5"), "added_high": Decimal("2.5"), "sheet_max_total": Decimal(8)}


def _advice(figures: dict[str, str], *, coats: int = 1, checks: bool = True, **more: Any) -> tuple[Advice, ...]:
    """Assess one piece with one reading per location; limits of 2 to 4 mil unless *more* gives locations."""
    places = more.pop("places", [location(name, "2.0", "4.0") for name in figures])
    the_job = job(*places, **more)
    rows = [reading(n, figure, location=name) for n, (name, figure) in enumerate(figures.items(), start=1)]
    policy = shop(bracket_limits=False)  # the limits here lie beyond the standards of both_checks
    found = assess(the_job, policy, rows, both_checks() if checks else [], coats=coats, bakes=coats)
    return found.advice


def _actions(advice: tuple[Advice, ...]) -> list[Action]:
    return [a.action for a in advice]


def _said(advice: tuple[Advice, ...]) -> str:
    return " ".join(
        " ".join((a.sentence, a.test, *a.reasons, *a.ruled_out, *a.ask_first, *a.notes, *(c.text for c in a.cautions)))
        for a in advice
    )


def test_what_conforms_is_accepted() -> None:
    assert _actions(_advice({"face": "3.0"})) == [Action.ACCEPT]


def test_while_the_gauge_is_not_shown_to_be_right_nothing_is_advised_but_measuring() -> None:
    assert _actions(_advice({"face": "1.0"}, checks=False)) == [Action.REMEASURE]


def test_a_recoat_that_would_put_the_thick_place_over_its_limit_is_not_advised() -> None:
    """The arithmetic of the trade notes' example: 2 to 4 mil, 1.4 to 2.6 read, 1.5 to 2.5 added: 5.1 is over 4."""
    advice = _advice({"corner": "1.4", "face": "2.6"}, recoat=RECOAT)
    assert _actions(advice) == [Action.CONCESSION, Action.STRIP]
    assert advice[0].test == "Recoat test: does not fit; a coat adds 1.5 to 2.5 mil (from the job)."
    assert advice[0].ruled_out == (
        "scuff and recoat: piece 1, face: highest 2.60 + 2.5 = 5.10 mil > 4.0 mil, the upper limit",
    )
    assert advice[1].ruled_out == ()


def test_a_recoat_that_fits_everywhere_is_advised_with_its_sums() -> None:
    wide = [location("corner", "2.0", "6.0"), location("face", "2.0", "6.0")]
    advice = _advice({"corner": "1.4", "face": "2.6"}, recoat=RECOAT, places=wide)
    assert _actions(advice)[0] is Action.RECOAT
    assert "2.9" in _said(advice)
    assert "5.1" in _said(advice)
    assert "data sheet" in _said(advice)


def test_a_piece_that_is_thin_here_and_thick_there_is_never_recoated() -> None:
    advice = _advice({"corner": "1.4", "face": "4.6"})
    assert _actions(advice) == [Action.CONCESSION, Action.STRIP]
    assert "what is over its limit stays over" in _said(advice)


def test_without_recoat_data_the_advice_asks_for_it() -> None:
    advice = _advice({"face": "1.4"})
    assert "added_low" in _said(advice)


def test_after_as_many_coats_as_the_shop_allows_it_is_stripped() -> None:
    wide = [location("face", "2.0", "6.0")]
    assert Action.RECOAT in _actions(_advice({"face": "1.4"}, recoat=RECOAT, places=wide, coats=1))
    assert Action.RECOAT not in _actions(_advice({"face": "1.4"}, recoat=RECOAT, places=wide, coats=2))


def test_a_third_coat_of_18_mil_on_a_chrome_look_part_is_a_case_for_stripping_with_cautions() -> None:
    (advice,) = _advice({"arm rest": "18.0"}, coats=3, chrome_look=True, recoat=RECOAT)
    assert advice.action is Action.STRIP
    authorities = " ".join(c.authority for c in advice.cautions)
    for authority in ("40 CFR 751", "NFPA 86", "29 CFR 1910.94", "NFPA 660", "40 CFR 261"):
        assert authority in authorities
    assert all(c.known for c in advice.cautions)
    assert "data sheet" in _said((advice,))


def test_a_running_fit_that_is_too_heavy_is_a_matter_of_the_drawing() -> None:
    places = [location("pin hole", "0.8", "1.5", role="fit")]
    advice = _advice({"pin hole": "2.2"}, places=places, recoat=RECOAT)
    assert Action.RECOAT not in _actions(advice)
    assert "drawing" in _said(advice)


def test_a_safety_critical_part_gets_stop_and_ask_and_nothing_else() -> None:
    advice = _advice({"lug": "1.0"}, safety_class="lifting point", recoat=RECOAT)
    assert _actions(advice) == [Action.STOP]


@pytest.mark.parametrize("coats", [1, 2])
@pytest.mark.parametrize("figure", ["1.0", "9.0", "18.0"])
@pytest.mark.parametrize("substrate", ["mild steel", "hot-dip galvanized steel", "extruded aluminium 6061"])
def test_no_advice_is_a_recipe(figure: str, substrate: str, coats: int) -> None:
    """No temperature, no time, no strength of a bath: those are the data sheet's to say."""
    wide = [location("face", "2.0", "6.0")]
    said = _said(_advice({"face": figure}, places=wide, substrate=substrate, recoat=RECOAT, coats=coats))
    assert not RECIPE.search(said), said


def test_aluminium_and_zinc_get_their_own_caution_about_alkali() -> None:
    for substrate in ("hot-dip galvanized steel", "extruded aluminium"):
        advice = _advice({"face": "18.0"}, substrate=substrate, recoat=RECOAT)
        strip = next(a for a in advice if a.action is Action.STRIP)
        assert any("alkali" in c.text.lower() and "zinc" in c.text for c in strip.cautions)
