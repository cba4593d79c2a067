"""First advice, whole and word for word: what stands in it, in which order. Parts and numbers are invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from rules.cautions import cautions, strip_cautions
from rules.conformity import by_piece_and_location, judge, judged_builds
from rules.disposition import DECORATIVE_COAT_NOTE, REMEASURE_NOTE, SCUFF_NOTE, advise
from rules.results import Action, Advice, Coverage, GateState
from rules.verdict import Finding, Verdict, overall
from tests.rules.builders import job, location, reading

ADDS: dict[str, Any] = {"added_low": Decimal("1.5"), "added_high": Decimal("2.5")}
WIDE = location("face", "2.0", "6.0")

ONE_COAT = "The parts carry 1 coat and have been baked 1 time."
CAUSE = (
    "Is the cause found and put right? A coat over bad adhesion, contamination or wrong pretreatment is stripped, never "
    "recoated (read, a trade handbook)."
)
CURE = (
    "Is the cure shown to be right? Where it alone is short, the part is baked again as its data sheet says, and neither "
    "recoated nor stripped (read, a trade handbook)."
)
BAKE = "Do powder and alloy stand another bake after 1 bake (the product data sheet; the part's maker)?"
ASK_BEFORE_STRIPPING = (
    "Is the part on the stop list printed with the cautions, or anything like it?",
    "Alloy and temper of the part, and what it is joined with?",
    "What is in the old film: lead, chromate, PVC, fluoropolymer?",
    "Who strips: a licensed stripper, or trained people here under local permits?",
    CAUSE,
    CURE,
    BAKE,
)
ASK_FOR_A_CONCESSION = (
    "Is the limit a functional one, or the look alone?",
    "Do fits, threads and earthing points still work?",
    "Who at the customer may grant it, in writing?",
)
ASK_OF_A_FEATURE = (
    "What does the drawing say of this feature, before or after coating?",
    "May it be chased, reamed or cleared, and does bare metal matter there?",
    "Was it masked, and why did the mask not hold?",
)
THIN_PLACE = "What has the thin place to do: hide the metal, keep rust off, count for the look?"
CONCESSION = "Ask the customer for a concession, if nothing binds, it looks right and the limit is no functional one."
REWORK = (
    "Rework the feature that is over its limit or does not fit, as its drawing allows; the dimension governs there."
)
RECOAT = "Scuff and recoat the whole piece: by the sums below a second coat fits."
LATER = "Strip and redo where the milder way is refused or fails."
ONLY_ADDS = "scuff and recoat: a second coat only adds, and what is over its limit stays over"
STAYS_OVER = "Recoat test: does not fit; what is over its limit stays over."
UNSEEN_LOOK = (
    "Is the surface high-gloss, metallic, textured or chrome-look? A second coat shows more in these (common practice, no "
    "source; job: appearance)."
)
COLOUR = "Is it the right powder and colour? If not, does another one hold on it, and does the total still fit?"


def _covered(state: GateState = GateState.COVERED, sentence: str = "The gauge in a sentence.") -> Coverage:
    return Coverage(state, sentence, (), None, None, None, 0)


def _advice(
    pieces: Sequence[dict[str, str]],
    places: Sequence[dict[str, Any]] = (WIDE,),
    *,
    findings: Sequence[Finding] | None = None,
    coverage: Coverage | None = None,
    conformity: Verdict | None = None,
    coats: int = 1,
    bakes: int = 1,
    guards: dict[str, Fraction] | None = None,
    **more: Any,
) -> tuple[Advice, ...]:
    """Return the advice for pieces by location, one reading a location."""
    the_job = job(*places, **more)
    rows = [
        reading(n, figure, piece=piece, location=name)
        for n, (piece, name, figure) in enumerate(
            ((f"{at}", name, figure) for at, row in enumerate(pieces, 1) for name, figure in row.items()), start=1
        )
    ]
    here = by_piece_and_location(the_job, judged_builds(the_job, rows))
    found = list(judge(the_job, rows, here)) if findings is None else list(findings)
    return advise(
        the_job,
        here,
        found,
        coverage or _covered(),
        conformity=conformity or overall(found),
        coats=coats,
        bakes=bakes,
        guards=guards,
    )


def _finding(verdict: Verdict, sentence: str, **more: Any) -> Finding:
    return Finding(verdict, "lowest reading", sentence, **more)


def _below(piece: str, build: str, limit: str = "2.0", name: str = "face") -> str:
    return f"piece {piece}, {name}: lowest reading {build} mil is below the lower limit {limit} mil"


# What stands alone


def test_a_safety_critical_part_that_misses_is_left_alone() -> None:
    (advice,) = _advice([{"face": "1.0"}], safety_class="lifting point")
    assert advice == Advice(
        Action.STOP,
        "Do nothing to these pieces until the owner of the part has said in writing what may be done.",
        reasons=(
            "The part is safety-critical (lifting point): heat, acid and blasting can destroy it unseen.",
            _below("1", "1.00"),
        ),
        ask_first=(
            "Is the written approval of the part's owner for any rework on file?",
            "Alloy, temper and heat treatment of the part, from its maker?",
            "What does the maker of the part allow: a further bake, stripping, blasting, none of them?",
        ),
    )
    (open_still,) = _advice([{"face": "1.0"}], safety_class="lifting point", coverage=_covered(GateState.OPEN))
    assert open_still == replace(advice, ask_first=("The gauge first: The gauge in a sentence.", *advice.ask_first))


def test_what_the_jobs_words_point_to_is_said_with_the_authority() -> None:
    (advice,) = _advice([{"face": "1.0"}], title="Lifting hook")
    (hook,) = (entry for entry in cautions().stop_list if entry.words.search("Lifting hook"))
    assert advice.reasons == (
        f"The job's words point to {hook.name[0].lower()}{hook.name[1:]}: {hook.why} ({hook.authority}; {hook.known}).",
        _below("1", "1.00"),
    )


def test_while_nothing_is_decided_the_reasons_are_the_gate_and_what_is_undecided() -> None:
    undecided, failed = _finding(Verdict.UNDECIDED, "too few"), _finding(Verdict.FAIL, "thin")
    measure = "Nothing is decided yet: measure again before anything is done to the pieces."
    (both,) = _advice([{"face": "3.0"}], findings=[undecided, failed], coverage=_covered(GateState.SUSPECT))
    assert both == Advice(Action.REMEASURE, measure, reasons=("The gauge in a sentence.", "too few"))
    (readings_alone,) = _advice([{"face": "3.0"}], findings=[undecided])
    assert readings_alone == Advice(Action.REMEASURE, measure, reasons=("too few",))
    (nothing,) = _advice([{"face": "3.0"}], findings=[])
    assert nothing == Advice(Action.REMEASURE, measure, reasons=("There is nothing that a verdict could rest on.",))
    (open_and_few,) = _advice([{"face": "3.0"}], findings=[undecided], coverage=_covered(GateState.OPEN))
    assert open_and_few.sentence == measure


def test_where_the_closing_check_alone_is_to_come_it_is_what_to_do() -> None:
    (advice,) = _advice([{"face": "3.0"}], coverage=_covered(GateState.OPEN))
    assert advice == Advice(
        Action.REMEASURE,
        "Nothing is decided yet: make the closing check; if it passes the readings stand, else measure again.",
        reasons=("The gauge in a sentence.",),
    )
    (uncovered,) = _advice([{"face": "3.0"}], coverage=_covered(GateState.UNCOVERED))
    assert uncovered.sentence == "Nothing is decided yet: measure again before anything is done to the pieces."


def test_what_conforms_is_accepted_in_so_many_words() -> None:
    conforms = "Everything asked for was measured with a covered gauge and conforms."
    assert _advice([{"face": "3.0"}]) == (Advice(Action.ACCEPT, conforms),)
    bore = location("face", "1.0", "3.0", fit={"feature": "hole", "may_change": Decimal("5.0")})
    assert _advice([{"face": "2.5"}], [bore]) == (Advice(Action.ACCEPT, conforms, test="Fit test: fits."),)


@pytest.mark.parametrize("critical", [False, True])
def test_what_conforms_and_may_not_fit_is_asked_about(critical: bool) -> None:
    bore = location("face", "1.0", "3.0", fit={"feature": "hole", "may_change": Decimal("5.0")})
    owner = "Has the part's owner said in writing what may be done? Until then nothing is done to the feature."
    more: dict[str, Any] = {"safety_class": "lifting point"} if critical else {}
    (advice,) = _advice([{"face": "2.6"}], [bore], **more)
    assert advice == Advice(
        Action.ACCEPT,
        "Everything asked for was measured with a covered gauge and conforms to its limits, but something may not fit: ask "
        "before it is shipped.",
        reasons=(
            "piece 1, face: the highest build 2.60 mil takes 5.20 mil off the hole's diameter; the drawing leaves 5.0 mil, "
            "a film of 2.5 mil: it does not fit",
        ),
        ask_first=(*((owner,) if critical else ()), *ASK_OF_A_FEATURE),
        test="Fit test: does not fit.",
    )


def test_a_lot_that_does_not_conform_as_a_whole_is_stopped() -> None:
    refused = _finding(Verdict.FAIL, "three of five")
    lot = Advice(
        Action.STOP,
        "The lot: stop and ask before any piece of it is shipped or reworked; it does not conform as a whole.",
        reasons=("three of five",),
        ask_first=(
            "Is every piece to be measured, and the lot sorted?",
            "Does the order let a lot be sorted and shown again?",
            "Who at the customer may grant a concession for the lot, in writing?",
        ),
    )
    assert _advice([{"face": "3.0"}], findings=[refused]) == (lot,)
    stray = _finding(Verdict.FAIL, "piece 9 is thin", piece="9", location="face")
    assert _advice([{"face": "3.0"}], findings=[stray]) == (
        replace(lot, reasons=("The rule is not met, and no single piece misses its limits.",)),
    )


def test_of_more_than_twelve_reasons_the_first_eleven_are_given() -> None:
    def reasons(count: int) -> tuple[str, ...]:
        findings = [_finding(Verdict.UNDECIDED, f"reason {n}") for n in range(1, count + 1)]
        (advice,) = _advice([{"face": "3.0"}], findings=findings)
        return advice.reasons

    assert reasons(12) == tuple(f"reason {n}" for n in range(1, 13))
    assert reasons(13) == (*(f"reason {n}" for n in range(1, 12)), "and 2 more like these")


# Too thin


def test_a_second_coat_that_fits_whole() -> None:
    recoat, strip = _advice([{"face": "1.8"}], recoat=ADDS)
    test = "Recoat test: fits; a coat adds 1.5 to 2.5 mil (from the job)."
    sums = (
        "piece 1, face: lowest 1.80 + 1.5 = 3.30 mil > 2.0 mil, the lower limit",
        "piece 1, face: highest 1.80 + 2.5 = 4.30 mil < 6.0 mil, the upper limit",
    )
    assert recoat == Advice(
        Action.RECOAT,
        f"Piece 1: {RECOAT}",
        reasons=(_below("1", "1.80"), *sums, ONE_COAT),
        ask_first=(
            "Does the product data sheet allow a second coat of this powder on itself, and how does it want the first one "
            "scuffed?",
            "What total film does the product data sheet allow? (job: recoat.sheet_max_total)",
            UNSEEN_LOOK,
            CAUSE,
            CURE,
            COLOUR,
            "Does the customer have to agree to rework?",
            BAKE,
        ),
        cautions=cautions().scuffing,
        test=test,
        notes=(SCUFF_NOTE, REMEASURE_NOTE),
    )
    assert strip == Advice(
        Action.STRIP,
        f"Piece 1: {LATER}",
        reasons=(_below("1", "1.80"), ONE_COAT),
        ask_first=ASK_BEFORE_STRIPPING,
        cautions=strip_cautions("mild steel sheet"),
        rank=2,
        test=test,
        notes=(DECORATIVE_COAT_NOTE,),
    )


def test_what_is_known_is_not_asked_and_what_is_masked_is() -> None:
    recoat, _ = _advice(
        [{"face": "1.8", "pin": "0.1", "stud": "0.1"}],
        [WIDE, location("pin", None, "9.0", role="masked"), location("stud", None, "9.0", role="fit")],
        recoat={**ADDS, "sheet_max_total": Decimal(8), "data_sheet": "PX-10"},
        appearance="plain",
        coats=1,
        bakes=2,
    )
    assert recoat.ask_first == (
        "Piece 1 is too thin at face alone: is that a surface that counts? If not, a concession or a touch-up that the "
        "customer approves may do (read in part, a trade handbook).",
        "Does PX-10 allow a second coat of this powder on itself, and how does it want the first one scuffed?",
        CAUSE,
        CURE,
        COLOUR,
        "Does the customer have to agree to rework?",
        "Do powder and alloy stand another bake after 2 bakes (PX-10; the part's maker)?",
        "Are pin and stud masked again?",
    )
    assert recoat.reasons[-1] == "The parts carry 1 coat and have been baked 2 times."


def test_a_second_coat_that_does_not_fit_goes_to_the_customer_or_is_stripped() -> None:
    tight = location("face", "2.0", "4.0")
    concession, strip = _advice([{"face": "1.8"}], [tight], recoat=ADDS)
    test = "Recoat test: does not fit; a coat adds 1.5 to 2.5 mil (from the job)."
    assert concession == Advice(
        Action.CONCESSION,
        f"Piece 1: {CONCESSION}",
        reasons=(_below("1", "1.80"), ONE_COAT),
        ask_first=(THIN_PLACE, *ASK_FOR_A_CONCESSION),
        test=test,
        ruled_out=("scuff and recoat: piece 1, face: highest 1.80 + 2.5 = 4.30 mil > 4.0 mil, the upper limit",),
    )
    assert (strip.sentence, strip.rank, strip.ruled_out, strip.test) == (f"Piece 1: {LATER}", 2, (), test)


def test_every_sum_that_breaks_a_limit_rules_a_second_coat_out() -> None:
    tight = [location("face", "2.0", "4.0"), location("edge", "2.0", "4.0")]
    concession, _ = _advice([{"face": "1.8", "edge": "1.9"}], tight, recoat=ADDS)
    assert concession.ruled_out == (
        "scuff and recoat: piece 1, face: highest 1.80 + 2.5 = 4.30 mil > 4.0 mil, the upper limit; piece 1, edge: highest "
        "1.90 + 2.5 = 4.40 mil > 4.0 mil, the upper limit",
    )


@pytest.mark.parametrize(
    ("coats", "recoat", "test", "why"),
    [
        pytest.param(
            2,
            None,
            "Recoat test: not made; 2 coats of at most 2 (common practice, no source) on the part.",
            "scuff and recoat: 2 coats of at most 2 (common practice, no source) are on: no further one goes on top",
            id="as many as are usual",
        ),
        pytest.param(
            1,
            {**ADDS, "max_coats": 1},
            "Recoat test: not made; 1 coat of at most 1 (the job's max_coats) on the part.",
            "scuff and recoat: 1 coat of at most 1 (the job's max_coats) is on: no further one goes on top",
            id="as many as the job allows",
        ),
    ],
)
def test_a_part_that_carries_all_its_coats(coats: int, recoat: dict[str, Any] | None, test: str, why: str) -> None:
    more: dict[str, Any] = {} if recoat is None else {"recoat": recoat}
    concession, strip = _advice([{"face": "1.8"}], coats=coats, **more)
    assert (concession.action, concession.test, concession.ruled_out) == (Action.CONCESSION, test, (why,))
    assert (strip.action, strip.test) == (Action.STRIP, test)


def test_where_it_cannot_be_told_whether_a_second_coat_fits_that_is_the_advice() -> None:
    (stop,) = _advice([{"face": "1.8"}])
    assert stop == Advice(
        Action.STOP,
        "Piece 1: Stop and ask before a second coat goes on.",
        reasons=(_below("1", "1.80"), "Whether a second coat fits cannot be told from what is known.", ONE_COAT),
        ask_first=(
            "What does a recoat add here, at the least and at the most? (job: recoat.added_low, recoat.added_high, from "
            "the shop's own history)",
            "What total film does the data sheet allow, and does it allow a second coat? (job: recoat.sheet_max_total)",
            CAUSE,
            CURE,
            BAKE,
        ),
        test="Recoat test: cannot be told.",
    )


def test_a_guard_band_that_is_not_known_everywhere_is_asked_about() -> None:
    asked = "Would a second coat still fit with the guard band? It is not known for every place, and the sums count none there."
    places = [WIDE, location("back", "2.0", "6.0")]
    pieces, decision = [{"face": "1.8", "back": "1.8"}], {"rule": "guard-band"}
    known = {"face": Fraction(0), "back": Fraction(0)}

    def first(**more: Any) -> str:
        return _advice(pieces, places, recoat=ADDS, **more)[0].ask_first[0]

    assert first(decision=decision) == asked
    assert first(decision=decision, guards={"face": Fraction(0)}) == asked
    assert first(decision=decision, guards=known) != asked
    assert first() != asked


# Where it need not look right


def test_a_surface_that_is_not_seen_is_a_case_for_a_concession() -> None:
    unseen = "The surface is not seen (job: appearance): a concession is asked for first."
    concession, recoat, _ = _advice([{"face": "1.8"}], recoat=ADDS, appearance="not-seen")
    assert concession.reasons == (_below("1", "1.80"), unseen, ONE_COAT)
    assert unseen not in recoat.reasons
    assert concession.ruled_out == ()
    assert UNSEEN_LOOK not in recoat.ask_first


def test_a_hidden_place_that_is_thin_alone_may_be_touched_up() -> None:
    places = [WIDE, location("inside", "2.0", "6.0", role="hidden")]
    concession, touch_up, recoat, strip = _advice([{"face": "3.0", "inside": "1.2"}], places, recoat=ADDS)
    thin = _below("1", "1.20", name="inside")
    hidden = "It misses at hidden places alone (job: role): a concession is asked for first."
    assert concession.reasons == (thin, hidden, ONE_COAT)
    assert touch_up == Advice(
        Action.TOUCH_UP,
        "Piece 1: Touch up where it is too thin, if the customer approves that.",
        reasons=(thin, hidden, ONE_COAT),
        ask_first=(
            "Does the customer approve touch-up there, and with what?",
            "Does what is asked of the place (rust, weather, look) allow another paint than the powder?",
            CAUSE,
        ),
        cautions=(*cautions().touch_up, *cautions().scuffing[:1]),
        rank=2,
        test="Recoat test: fits; a coat adds 1.5 to 2.5 mil (from the job).",
    )
    assert [advice.rank for advice in (concession, recoat, strip)] == [1, 3, 4]


def test_a_piece_that_is_thin_in_two_places_is_not_touched_up() -> None:
    places = [location(name, "2.0", "6.0", role="hidden") for name in ("inside", "under")]
    actions = [a.action for a in _advice([{"inside": "1.2", "under": "1.3"}], places, recoat=ADDS)]
    assert actions == [Action.CONCESSION, Action.RECOAT, Action.STRIP]
    whole = _finding(Verdict.FAIL, "thin", piece="1", found=Fraction(1), limit=Decimal(2), low=True)
    actions = [a.action for a in _advice([{"inside": "1.2", "under": "1.3"}], places, findings=[whole], recoat=ADDS)]
    assert actions == [Action.RECOAT, Action.STRIP]


# Too thick


def test_a_piece_that_is_too_thick_goes_to_the_customer_or_is_stripped() -> None:
    over = "piece 1, face: highest reading 7.00 mil is above the upper limit 6.0 mil"
    assert _advice([{"face": "7.0"}]) == (
        Advice(
            Action.CONCESSION,
            f"Piece 1: {CONCESSION}",
            reasons=(over, ONE_COAT),
            ask_first=ASK_FOR_A_CONCESSION,
            test=STAYS_OVER,
            ruled_out=(ONLY_ADDS,),
        ),
        Advice(
            Action.STRIP,
            f"Piece 1: {LATER}",
            reasons=(over, ONE_COAT),
            ask_first=ASK_BEFORE_STRIPPING,
            cautions=strip_cautions("mild steel sheet"),
            rank=2,
            test=STAYS_OVER,
            notes=(DECORATIVE_COAT_NOTE,),
        ),
    )


def test_a_piece_that_is_thin_here_and_thick_there_says_that_a_coat_only_adds() -> None:
    places = [WIDE, location("edge", "2.0", "6.0")]
    concession, strip = _advice([{"face": "1.8", "edge": "7.0"}], places, recoat=ADDS)
    only = "A second coat only adds: what is over its limit stays over."
    for advice in (concession, strip):
        assert advice.reasons[-2:] == (only, ONE_COAT)
        assert len(advice.reasons) == 4


def test_too_many_low_readings_are_too_thin_though_their_share_is_above_its_limit() -> None:
    share = Finding(
        Verdict.FAIL,
        "share of low readings",
        "too many are low",
        location="face",
        piece="1",
        found=Fraction(1, 2),
        limit=Fraction(1, 5),
    )
    assert _advice([{"face": "1.8"}], findings=[share], recoat=ADDS)[0].action is Action.RECOAT
    other = replace(share, check="share of high readings")
    assert _advice([{"face": "1.8"}], findings=[other], recoat=ADDS)[0].action is Action.CONCESSION
    below = replace(other, found=Fraction(1, 10))
    assert _advice([{"face": "1.8"}], findings=[below], recoat=ADDS)[0].action is Action.RECOAT
    level = replace(other, found=Fraction(1, 5))
    assert _advice([{"face": "1.8"}], findings=[level], recoat=ADDS)[0].action is Action.CONCESSION
    unknown = replace(other, found=None)
    assert _advice([{"face": "1.8"}], findings=[unknown], recoat=ADDS)[0].action is Action.CONCESSION


def test_a_heavy_chrome_look_part_is_stripped_and_says_how_heavy() -> None:
    over = _finding(
        Verdict.FAIL, "too thick", piece="1", location="face", found=Fraction(15), limit=Decimal(4), low=False
    )
    (strip,) = _advice(
        [{"face": "15.0"}], [location("face")], findings=[over], chrome_look=True, blasted=True, base_reading=True
    )
    assert strip == Advice(
        Action.STRIP,
        "Piece 1: Strip and redo.",
        reasons=(
            "too thick",
            "piece 1, face: 15.00 mil on a chrome-look part with a clear coat; from 15 to 20 mil that is a case for "
            "stripping (common practice, no source).",
            ONE_COAT,
            "The part is chrome-look under a clear coat: its data sheet says whether it can be recoated at all.",
            "The metal is blasted: builds are what was read less the base metal readings, and the peaks of the profile need "
            "cover (read, a trade magazine).",
        ),
        ask_first=ASK_BEFORE_STRIPPING,
        cautions=strip_cautions("mild steel sheet"),
        test=STAYS_OVER,
        ruled_out=(ONLY_ADDS,),
        notes=(DECORATIVE_COAT_NOTE,),
    )


def test_of_a_chrome_look_part_the_heaviest_place_is_named() -> None:
    places = [location("face"), location("edge"), location("rim")]
    (strip,) = _advice([{"face": "5.0", "edge": "15.004", "rim": "15.0"}], places, chrome_look=True)
    assert [reason for reason in strip.reasons if "chrome-look part" in reason] == [
        "piece 1, edge: 15.004 mil on a chrome-look part with a clear coat; from 15 to 20 mil that is a case for stripping "
        "(common practice, no source)."
    ]


@pytest.mark.parametrize(("build", "heavy"), [("380.9", False), ("381", True)])
def test_in_micrometres_a_chrome_look_part_is_heavy_from_381(build: str, heavy: bool) -> None:
    """15 mil are 381 µm."""
    over = _finding(
        Verdict.FAIL, "too thick", piece="1", location="face", found=Fraction(build), limit=Decimal(100), low=False
    )
    at = job(location("face", "50", "100"), unit="um", chrome_look=True)
    rows = [reading(1, build, "um", location="face")]
    found = advise(
        at,
        by_piece_and_location(at, judged_builds(at, rows)),
        [over],
        _covered(),
        conformity=Verdict.FAIL,
        coats=1,
        bakes=1,
    )
    assert (found[0].action is Action.STRIP) is heavy


# What has to fit

ROOM = {"feature": "shaft", "may_change": Decimal("8.0")}
OVER = "piece 1, pin: highest reading {} mil is above the upper limit 3.0 mil"
FILM = "piece 1, pin: the highest build {} mil adds {} mil to the shaft's diameter; the drawing leaves 8.0 mil, a film of 4 mil: {}"


def test_a_feature_over_its_limit_that_fits_is_asked_about_then_reworked_then_stripped() -> None:
    concession, rework, strip = _advice([{"pin": "3.5"}], [location("pin", "1.0", "3.0", fit=ROOM)])
    over, film = OVER.format("3.50"), FILM.format("3.50", "7.00", "it fits")
    assert concession == Advice(
        Action.CONCESSION,
        f"Piece 1: {CONCESSION}",
        reasons=(over, ONE_COAT),
        ask_first=ASK_FOR_A_CONCESSION,
        test="Fit test: fits.",
        ruled_out=(ONLY_ADDS,),
    )
    assert rework == Advice(
        Action.REWORK,
        f"Piece 1: {REWORK}",
        reasons=(over, film, ONE_COAT),
        ask_first=ASK_OF_A_FEATURE,
        rank=2,
        test="Fit test: fits.",
    )
    assert (strip.rank, strip.reasons, strip.test) == (3, (over, ONE_COAT), "Fit test: fits.")


def test_a_feature_over_its_limit_that_does_not_fit_is_reworked_or_stripped() -> None:
    rework, strip = _advice([{"pin": "4.5"}], [location("pin", "1.0", "3.0", fit=ROOM)])
    over, film = OVER.format("4.50"), FILM.format("4.50", "9.00", "it does not fit")
    assert rework == Advice(
        Action.REWORK,
        f"Piece 1: {REWORK}",
        reasons=(over, film, ONE_COAT),
        ask_first=ASK_OF_A_FEATURE,
        test="Fit test: does not fit.",
        ruled_out=(f"ask for a concession: {film}", ONLY_ADDS),
    )
    assert (strip.rank, strip.test) == (2, "Fit test: does not fit.")


def test_where_the_job_does_not_say_what_fits_that_is_the_test() -> None:
    rework, _ = _advice([{"pin": "4.5"}], [location("pin", "1.0", "3.0", role="fit")])
    assert rework.test == ("Fit test: cannot be told; the job does not say how much film fits there (location: fit).")
    assert rework.reasons == (OVER.format("4.50"), ONE_COAT)
    assert rework.ruled_out == (ONLY_ADDS,)


def test_a_piece_in_order_whose_feature_does_not_fit_is_reworked_beside_one_that_misses() -> None:
    pin = location("pin", "1.0", "6.0", fit=ROOM)
    rework, *rest = _advice([{"pin": "4.5"}, {"pin": "0.5"}], [pin], recoat=ADDS)
    assert rework == Advice(
        Action.REWORK,
        f"Piece 1: {REWORK}",
        reasons=(
            FILM.format("4.50", "9.00", "it does not fit"),
            "piece 1 is within its limits, but the drawing's dimension governs there",
            ONE_COAT,
        ),
        ask_first=ASK_OF_A_FEATURE,
        test="Fit test: does not fit.",
    )
    assert [a.action for a in rest] == [Action.RECOAT, Action.STRIP]


def test_only_the_feature_that_is_over_or_does_not_fit_gives_its_reasons() -> None:
    places = [location("pin", "1.0", "3.0", fit=ROOM), location("stud", "1.0", "9.0", fit=ROOM)]
    _, rework, _ = _advice([{"pin": "3.5", "stud": "2.0"}], places)
    assert rework.reasons == (OVER.format("3.50"), FILM.format("3.50", "7.00", "it fits"), ONE_COAT)


# Several pieces


def test_many_pieces_are_named_up_to_six() -> None:
    assert _advice([{"face": "7.0"}] * 6)[0].sentence == f"Pieces 1, 2, 3, 4, 5 and 6: {CONCESSION}"
    assert _advice([{"face": "7.0"}] * 7)[0].sentence == f"Pieces 1, 2, 3, 4, 5, 6 and 1 more: {CONCESSION}"


def test_what_is_the_same_for_several_pieces_is_said_once() -> None:
    concession, strip = _advice([{"face": "7.0"}, {"face": "7.0"}])
    assert concession.reasons == (
        "piece 1, face: highest reading 7.00 mil is above the upper limit 6.0 mil",
        "piece 2, face: highest reading 7.00 mil is above the upper limit 6.0 mil",
        ONE_COAT,
    )
    assert (concession.test, concession.ruled_out) == (STAYS_OVER, (ONLY_ADDS,))
    assert strip.ask_first == ASK_BEFORE_STRIPPING


def test_the_tests_of_several_pieces_stand_one_after_the_other() -> None:
    *_, strip = _advice([{"face": "1.8"}, {"face": "7.0"}], recoat=ADDS)
    assert strip.test == f"Recoat test: fits; a coat adds 1.5 to 2.5 mil (from the job). {STAYS_OVER}"


def test_a_piece_that_is_too_thick_as_a_whole_is_too_thick() -> None:
    whole = _finding(Verdict.FAIL, "too much", piece="1", found=Fraction(7), limit=Decimal(6), low=False)
    concession, strip = _advice([{"face": "3.0"}], findings=[whole])
    assert (concession.action, concession.reasons, strip.action) == (
        Action.CONCESSION,
        ("too much", ONE_COAT),
        Action.STRIP,
    )


@pytest.mark.parametrize("word", ["title", "substrate", "specification"])
def test_the_stop_list_is_looked_up_in_all_that_the_job_says_of_the_part(word: str) -> None:
    words: dict[str, Any] = {"title": "Bracket", word: "scuba cylinder"}
    (advice,) = _advice([{"face": "1.0"}], **words)
    assert advice.action is Action.STOP
    assert advice.reasons[0].startswith("The job's words point to gas, scuba and oxygen cylinders: ")
