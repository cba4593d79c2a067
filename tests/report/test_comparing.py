"""Real certificates compared: with another party's readings, and with each other."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from functools import cache
from typing import Any

import pytest

from report.assessing import judge
from report.comparing import Opened, Wishes, opened, with_certificate, with_readings
from report.comparison_screen import comparison_json, comparison_lines
from report.evidence import Evidence
from rules.dispute import Action
from rules.party_explanations import Cause, Standing
from rules.party_places import Bearing
from rules.party_readings import Accuracy, PartyReading, Told
from rules.uncertainty import TWO_SIGMA, budget
from schemas.errors import BadInput, IntegrityFailed
from schemas.units import Unit, to_um
from tests.report import made, scenario

U = Told("goods-in", expanded_um=Decimal(2))


@cache
def _whole() -> Opened:
    return opened(made.whole(), "whole.pdf", ())


def _certificate(of: Evidence, number: str = "MLP-other", **facts: Any) -> Opened:
    draft = made.drafted(of, number=number, **facts)
    return opened(made.signed(draft.pdf), f"{number}.pdf", ())


def _readings(
    evidence: Evidence, *, add: str = "0", piece: str | None = None, unit: Unit = Unit.UM, each: int = 5
) -> list[PartyReading]:
    """Return what the certificate says, as another party would have it: so much thicker, of each location the first few."""
    seen: dict[str, int] = {}
    found = []
    for r in evidence.readings:
        seen[r.location] = seen.get(r.location, 0) + 1
        if seen[r.location] <= each:
            shown = Decimal(r.shown) + Decimal(add)
            found.append(PartyReading(r.location, to_um(shown, unit), Decimal("0.1"), unit, piece=piece))
    return found


def _door(shown: Sequence[Sequence[str]] | None = None, **more: Any) -> Evidence:
    return scenario.evidence(shown=shown, **more)


def test_the_same_figures_agree_and_every_location_is_compared() -> None:
    found = with_readings(_whole(), _readings(_whole().document.evidence), U, Wishes()).comparison
    assert found.bearing is Bearing.WITHIN
    assert [p.location for p in found.places] == list(scenario.PLACES)
    assert all(p.error is not None and p.error.value == 0 for p in found.places)
    assert [s.action for s in found.steps] == [Action.NOTHING]


def test_the_uncertainty_of_the_certificate_is_that_of_its_budget_with_k_2() -> None:
    evidence = _whole().document.evidence
    found = with_readings(_whole(), _readings(evidence), U, Wishes()).comparison
    for place, judged in zip(found.places, judge(evidence).locations, strict=True):
        assert judged.uncertainty is not None
        assert place.first.expanded_um == budget(judged.uncertainty.components, TWO_SIGMA).expanded
        assert place.error is not None
        assert place.error.square == Fraction(place.first.expanded_um or 0) ** 2 + 4
        # With many degrees of freedom k would be 2; with few it is larger.
        assert (place.first.expanded_um or 0) >= 2 * judged.uncertainty.combined


def test_a_common_offset_of_readings_is_found_with_its_size() -> None:
    readings = _readings(_whole().document.evidence, add="14")
    found = with_readings(_whole(), readings, U, Wishes()).comparison
    assert found.bearing is Bearing.BEYOND
    best = found.explanations[0]
    assert (best.cause, best.standing) == (Cause.OFFSET, Standing.FULLY)
    assert best.sentence.startswith("goods-in reads 14.0 µm thicker than MLP-260304-door r1 everywhere (14.0 µm)")


def test_readings_without_an_uncertainty_are_open_until_an_accuracy_is_told() -> None:
    readings = _readings(_whole().document.evidence, add="14")
    silent = with_readings(_whole(), readings, Told("goods-in"), Wishes()).comparison
    assert silent.bearing is Bearing.OPEN
    assert silent.steps[0].action is Action.ASK_UNCERTAINTY
    told = with_readings(
        _whole(), readings, Told("goods-in", accuracy=Accuracy(Decimal(1), Decimal(1))), Wishes()
    ).comparison
    assert told.bearing is Bearing.BEYOND
    assert all(p.second.expanded_um is not None for p in told.places)


def test_a_list_in_mil_read_as_um_is_explained_by_the_unit() -> None:
    evidence = _whole().document.evidence
    in_mil = [
        dataclasses.replace(r, thickness_um=(r.thickness_um / Decimal("25.4")).quantize(Decimal("0.01")))
        for r in _readings(evidence)
    ]
    best = with_readings(_whole(), in_mil, U, Wishes()).comparison.explanations[0]
    assert (best.cause, best.standing) == (Cause.UNIT, Standing.FULLY)
    assert best.sentence.startswith("The figures of goods-in are in mil and were taken as µm")


def test_a_base_metal_value_that_the_certificate_subtracts_and_the_other_does_not() -> None:
    count = 12 * 5
    based = _door(
        reading={n: {"base_metal_um": Decimal(15)} for n in range(1, count + 1)}, of_job=scenario.job(base_reading=True)
    )
    one = _certificate(based)
    raw = [dataclasses.replace(r) for r in _readings(based)]
    found = with_readings(one, raw, U, Wishes()).comparison
    assert all(p.first.subtracted_um == 15 for p in found.places)
    assert (found.explanations[0].cause, found.explanations[0].standing) == (Cause.BASE_METAL, Standing.FULLY)
    assert "subtracted 15.0 µm for the metal below and goods-in nothing" in found.explanations[0].sentence
    less = with_readings(one, [dataclasses.replace(r, base_um=Decimal(15)) for r in raw], U, Wishes()).comparison
    assert less.bearing is Bearing.WITHIN


def test_two_certificates_are_compared_and_exchanging_them_changes_no_conclusion() -> None:
    figures = [[f"{Decimal(f) + 25:.1f}" for f in row] for row in scenario.figures(12, 5)]
    other = _certificate(_door(figures))
    there = with_certificate(_whole(), other, Wishes()).comparison
    back = with_certificate(other, _whole(), Wishes()).comparison
    assert there.bearing is back.bearing is Bearing.BEYOND
    assert (there.conclusion, there.explanations, there.steps) == (back.conclusion, back.explanations, back.steps)
    for one, mirror in zip(there.places, back.places, strict=True):
        assert one.error is not None
        assert mirror.error is not None
        assert one.error.value == mirror.error.value.copy_negate()
    # Both shops' gauges were checked on one standard: it is taken out.
    assert all(
        p.shared is not None and p.shared.startswith("standard S-50 (certificate S-50/25)") for p in there.places
    )


def test_one_standard_is_told_of_readings_by_its_serial() -> None:
    told = dataclasses.replace(U, standard="S-50")
    found = with_readings(_whole(), _readings(_whole().document.evidence), told, Wishes()).comparison
    place = found.places[0]
    assert place.shared == "standard S-50 (certificate S-50/25)"
    assert place.error is not None
    assert place.taken_apart is not None
    # U of the standard is 0.5 µm; t for few degrees of freedom makes its part of U larger.
    part = Fraction(place.first.standard_part_um or 0)
    assert part >= Fraction(1, 2)
    assert place.error.square == place.taken_apart.square - 2 * part * part
    with pytest.raises(BadInput, match="--same-standard S-9: MLP-260304-door r1 rests on standard S-50"):
        with_readings(_whole(), [], dataclasses.replace(U, standard="S-9"), Wishes())


def test_a_gauge_whose_closing_check_failed_is_not_ruled_out_and_its_error_is_tried() -> None:
    checks = [*scenario.opening(error="0.2"), *scenario.closing(error="9.8", within=False)]
    doubtful = _certificate(_door(checks=checks), deviation="the closing check failed", deviation_by="TOM")
    found = with_readings(doubtful, _readings(_door(), add="-14"), U, Wishes()).comparison
    open_ones = [e for e in found.explanations if e.cause is Cause.GAUGE_CHECK and e.standing is Standing.OPEN]
    assert any(e.sentence.startswith("MLP-other r1: ") for e in open_ones)
    # The mean of 0.2 and 9.8
    assert all(p.first.gauge_error_um == 5 for p in found.places)


def _two_pieces() -> Evidence:
    figures = [[*row[:5]] for row in scenario.figures(12, 5)]
    evidence = _door(figures)
    second = [
        dataclasses.replace(
            r,
            reading_no=len(evidence.readings) + n,
            piece="2",
            thickness_um=r.thickness_um + 18,
            shown=f"{Decimal(r.shown) + 18:.1f}",
        )
        for n, r in enumerate(evidence.readings, start=1)
    ]
    inspection = dataclasses.replace(
        evidence.inspection, pieces_measured=2, readings_counted=2 * len(evidence.readings)
    )
    return dataclasses.replace(evidence, readings=(*evidence.readings, *second), inspection=inspection)


def test_pieces_that_both_name_are_compared_alone_and_others_are_said() -> None:
    one = _certificate(_two_pieces())
    readings = [
        *_readings(_door(), add="18", piece="2"),
        *_readings(_door(), add="99", piece="7"),
    ]
    compared = with_readings(one, readings, U, Wishes())
    assert compared.comparison.bearing is Bearing.WITHIN
    assert compared.comparison.places[0].first.count == 5
    assert compared.remarks == (
        "goods-in also measured piece 7: not on the certificate, so not compared.",
        "Compared on piece 2; the certificate is of pieces 1 and 2.",
    )


def test_a_list_that_names_no_piece_is_compared_with_the_mean_and_the_piece_is_one_explanation() -> None:
    one = _certificate(_two_pieces())
    compared = with_readings(one, _readings(_door(), add="18"), U, Wishes())
    assert "does not say which piece it measured" in compared.remarks[0]
    pieces = [e for e in compared.comparison.explanations if e.cause is Cause.PIECE]
    assert pieces[0].standing is Standing.FULLY
    assert pieces[0].sentence.startswith("goods-in measured piece 2 alone")
    wished = with_readings(one, _readings(_door(), add="18"), U, Wishes(pieces=("2",)))
    assert wished.comparison.bearing is Bearing.WITHIN


def test_pieces_that_are_called_otherwise_are_asked_about() -> None:
    with pytest.raises(BadInput, match="say which of the certificate's pieces is meant with --piece"):
        with_readings(_whole(), _readings(_door(), piece="door 7"), U, Wishes())
    with pytest.raises(BadInput, match="--piece 9: MLP-260304-door r1 is of piece 1"):
        with_readings(_whole(), _readings(_door()), U, Wishes(pieces=("9",)))
    # Said which, their name for it does not matter.
    told = with_readings(_whole(), _readings(_door(), piece="door 7"), U, Wishes(pieces=("1",)))
    assert told.comparison.bearing is Bearing.WITHIN


def test_locations_that_are_called_otherwise_are_named_by_the_reader() -> None:
    readings = [dataclasses.replace(r, location=f"point {r.location}") for r in _readings(_door())]
    with pytest.raises(BadInput, match="no location in common: .* Say which is which with --same"):
        with_readings(_whole(), readings, U, Wishes())
    same = {f"point {name}": name for name in scenario.PLACES[:2]}
    found = with_readings(_whole(), readings, U, Wishes(same=same)).comparison
    assert [p.location for p in found.places] == list(scenario.PLACES[:2])
    assert len(found.only_first) == len(found.only_second) == 10
    with pytest.raises(BadInput, match="there is no location 'nowhere'"):
        with_readings(_whole(), readings, U, Wishes(same={"nowhere": "Front face"}))


def test_a_certificate_that_was_changed_is_compared_with_nothing() -> None:
    changed = bytearray(made.whole())
    at = changed.index(b"/Type", 2000)
    changed[at + 1] ^= 1
    with pytest.raises(IntegrityFailed, match="^whole.pdf: "):
        opened(bytes(changed), "whole.pdf", ())
    with pytest.raises(IntegrityFailed, match="bytes stand behind"):
        opened(made.whole() + b"%more", "whole.pdf", ())


def test_a_signer_who_is_not_known_is_only_said_and_one_who_should_be_another_is_refused() -> None:
    assert [p.name for p in _whole().not_shown] == ["signer known"]
    known = opened(made.whole(), "whole.pdf", [made.identity().key_sha256])
    assert known.not_shown == ()
    with pytest.raises(IntegrityFailed, match="is none of the known ones"):
        opened(made.whole(), "whole.pdf", ["ab" * 32])


def test_a_certificate_is_not_compared_with_itself() -> None:
    with pytest.raises(BadInput, match="is not compared with itself"):
        with_certificate(_whole(), _whole(), Wishes())


def test_certificates_of_different_lots_are_said_to_be() -> None:
    other = _certificate(_door(inspection={"lot": "L-9"}))
    assert with_certificate(_whole(), other, Wishes()).remarks == (
        "The certificates name different lots: L-2231 and L-9.",
    )


def test_figures_beside_one_location_that_contradict_each_other_are_refused() -> None:
    first, second, *_ = _readings(_door())
    odd = [dataclasses.replace(first, expanded_um=Decimal(1)), second]
    with pytest.raises(BadInput, match="different uncertainties"):
        with_readings(_whole(), odd, Told("goods-in"), Wishes())
    with pytest.raises(BadInput, match="one of them is a mean"):
        with_readings(_whole(), [dataclasses.replace(first, readings=5), second], U, Wishes())
    with pytest.raises(BadInput, match="there are no readings"):
        with_readings(_whole(), [], U, Wishes())


def test_an_uncertainty_beside_the_figures_is_taken_before_one_told_for_all() -> None:
    readings = [dataclasses.replace(r, expanded_um=Decimal("3.5")) for r in _readings(_door())]
    found = with_readings(_whole(), readings, U, Wishes()).comparison
    assert {p.second.expanded_um for p in found.places} == {Decimal("3.5")}


@pytest.mark.parametrize("columns", [60, 80, 120])
@pytest.mark.parametrize("add", ["0", "14"])
def test_the_screen_answers_first_and_keeps_the_width(columns: int, add: str) -> None:
    found = with_readings(_whole(), _readings(_door(), add=add), U, Wishes())
    lines = comparison_lines(found, [_whole()], columns)
    assert all(len(line) <= columns for line in lines), max(lines, key=len)
    text = " ".join(" ".join(lines).split())
    answer = "NO DIFFERENCE MEANS ANYTHING" if add == "0" else "A DIFFERENCE MEANS SOMETHING"
    assert text.startswith(f"MLP-260304-door r1 and goods-in: {answer}")
    sections = ["film build in µm", "worth knowing", "what to do"]
    if add != "0":
        sections.insert(1, "what would explain it")
        assert "caution: A section destroys the part" in text
        assert "[common offset] goods-in reads 14.0 µm thicker" in text
    places = [text.index(section) for section in sections]
    assert places == sorted(places)
    assert "not shown: No known key was given" in text


def test_json_says_everything_that_the_screen_says() -> None:
    found = with_readings(_whole(), _readings(_door(), add="14"), U, Wishes())
    said = json.loads(json.dumps(comparison_json(found, [_whole()])))
    assert said["answer"] == "BEYOND"
    assert [p["name"] for p in said["parties"]] == ["MLP-260304-door r1", "goods-in"]
    first = said["locations"][0]
    error = found.comparison.places[0].error
    assert error is not None
    assert first["normalized_error"] == pytest.approx(float(error.value))
    assert first["difference_um"] == pytest.approx(-14)
    assert said["explanations"][0]["cause"] == "common offset"
    assert said["explanations"][0]["left"][0]["normalized_error"] == 0
    assert said["steps"][-1]["action"] == "cross-section as referee"
    assert said["steps"][-1]["caution"].startswith("A section destroys the part")
    assert said["verified"][0]["holds"] is True


def test_two_revisions_of_one_inspection_teach_nothing_and_that_stands_first() -> None:
    again = _certificate(_whole().document.evidence, number="MLP-260304-again")
    for one, other in ((_whole(), again), (again, _whole())):
        found = with_certificate(one, other, Wishes())
        second = comparison_lines(found, [one, other], 2000)[1]
        assert second == (
            f"Both certificates state the same readings, those of inspection {_whole().document.evidence.inspection.inspection_id}: "
            "nothing can be learnt from their difference. Compare with what another party read."
        )
        assert comparison_json(found, [one, other])["nothing_to_learn"] == second
    assert comparison_json(with_readings(_whole(), _readings(_door()), U, Wishes()), [])["nothing_to_learn"] is None


def test_the_legend_says_where_the_certificate_prints_another_u() -> None:
    found = with_readings(_whole(), _readings(_door()), U, Wishes())
    text = "\n".join(comparison_lines(found, [_whole()], 2000))
    assert (
        "U here is at k = 2 / 95.45 % (with few readings Student's t for as much); MLP-260304-door r1 prints U at 95 %."
    ) in text
    first = dataclasses.replace(found.comparison.first, printed_coverage=TWO_SIGMA)
    alike = dataclasses.replace(found, comparison=dataclasses.replace(found.comparison, first=first))
    assert "prints U at" not in "\n".join(comparison_lines(alike, [_whole()], 2000))


def test_a_difference_within_the_one_uncertainty_known_is_said_to_be_so() -> None:
    found = with_readings(_whole(), _readings(_door(), add="0.1"), Told("goods-in"), Wishes())
    assert found.comparison.bearing is Bearing.WITHIN
    text = "\n".join(comparison_lines(found, [_whole()], 2000))
    assert "all lie within the one uncertainty that is known" in text
    assert "within U A" in text
