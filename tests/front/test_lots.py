"""Lots through the front door: planned, drawn, measured, judged by their series, certified and verified."""

from __future__ import annotations

import io
import json
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.front.shop import NOW, FrontDoor

JOB = """
title = "Latch plate"
customer = "Hollin and Wray Garden Works"
part_no = "HW-501"
substrate = "mild steel"
probe_mode = "magnetic"
unit = "um"
rule = { name = "every-reading" }
location = [{ name = "face", lower = 60, upper = 120 }]
sampling = { scheme = "attributes", aql = 4.0, reduced = true }
"""


class Series:
    """A shop that measures one lot after the other."""

    def __init__(self, door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
        self.door, self.monkeypatch = door, monkeypatch
        self.job(JOB)
        self.at = NOW - timedelta(days=20)

    def job(self, text: str) -> None:
        (self.door.folder / "jobs" / "latch.toml").write_text(text, encoding="utf-8")

    def say(self, *words: str) -> tuple[int, str, str]:
        answer = self.door(*words)
        return answer.code, answer.out, answer.err

    def plan(self, lot: str, size: int = 40, *more: str) -> dict[str, object]:
        code, out, err = self.say("assess", "--plan", "latch", "--lot", lot, "--lot-size", str(size), "--json", *more)
        assert code == 0, err
        found: dict[str, object] = json.loads(out)
        return found

    def measure(self, lot: str, failing: int = 0, size: int | None = None, pieces: list[int] | None = None) -> int:
        """Measure a lot between two checks, its first *failing* pieces too thin; return the exit code of assess."""
        chosen = pieces if pieces is not None else self.plan(lot)["pieces"]
        assert isinstance(chosen, list)
        self.at += timedelta(hours=8)
        self._check("opening", self.at - timedelta(minutes=10))
        typed = "".join(f"@piece {p}\n{50 if n < failing else 90}\n" for n, p in enumerate(chosen))
        self.monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        words = ["measure", "latch", "--lot", lot, "--inspector", "mk", "--gauge", "FB-11"]
        if pieces is not None:
            words += [word for p in pieces for word in ("--piece", str(p))]
        if size is not None:
            words += ["--lot-size", str(size)]
        self.door.now = self.at
        code, out, err = self.say(*words)
        assert code == 0, (out, err)
        self.door.now = NOW
        self._check("closing", self.at + timedelta(hours=1))
        return self.say("assess", lot)[0]

    def _check(self, occasion: str, at: datetime) -> None:
        answer = self.door.verify_gauge(occasion, at.isoformat())
        assert answer.code == 0, answer


@pytest.fixture
def series(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> Series:
    return Series(door, monkeypatch)


def test_a_lot_is_drawn_once_measured_as_drawn_judged_certified_and_verified(series: Series) -> None:
    first = series.plan("A-1")
    assert (first["pieces_to_measure"], first["severity"]) == (13, "normal")
    assert series.plan("A-1")["pieces"] == first["pieces"]
    # One piece fails, and the plan allows one.
    assert series.measure("A-1", failing=1) == 0
    answer = json.loads(series.say("assess", "A-1", "--json")[1])
    assert answer["verdict"] == "PASS"
    pieces = first["pieces"]
    assert isinstance(pieces, list)
    assert answer["set_apart"] == [str(pieces[0])]
    assert f"with the seed {first['seed']}" in answer["lot_plan"]["chosen"]
    certified = series.door("certify", "A-1", *series.door.signed_in(), "--json")
    assert certified.code == 0, certified
    assert series.door("verify", json.loads(certified.out)["pdf"]).code == 0


def test_a_draw_is_not_repeated_until_it_pleases(series: Series) -> None:
    first = series.plan("A-1", 40, "--seed", "monday")
    assert first["seed"] == "monday"
    code, _, err = series.say("assess", "--plan", "latch", "--lot", "A-1", "--lot-size", "40", "--seed", "tuesday")
    assert code == 2
    assert "was drawn from already, 13 of 40 pieces with the seed monday" in err
    again = series.plan("A-1", 40, "--seed", "tuesday", "--draw-again", "the crate was repacked")
    assert again["seed"] == "tuesday"
    assert len(list((series.door.folder / "draws").iterdir())) == 2
    # The inspection says that it was drawn again, and why.
    series.measure("A-1")
    notes = json.loads(series.say("assess", "A-1", "--json")[1])["lot_plan"]["chosen"]
    assert "seed tuesday" in notes


def test_other_pieces_than_those_drawn_leave_the_lot_undecided(series: Series) -> None:
    drawn = series.plan("A-1")["pieces"]
    assert isinstance(drawn, list)
    others = [n for n in range(1, 41) if n not in drawn][:13]
    assert series.measure("A-1", pieces=others) == 1
    assert json.loads(series.say("assess", "A-1", "--json")[1])["verdict"] == "UNDECIDED"


def test_too_few_pieces_are_undecided_and_never_certified_as_a_pass(series: Series) -> None:
    assert series.measure("A-1", pieces=list(range(1, 13)), size=40) == 1
    assert json.loads(series.say("assess", "A-1", "--json")[1])["verdict"] == "UNDECIDED"
    refused = series.door("certify", "A-1", *series.door.signed_in())
    assert refused.code == 2
    assert "undecided" in refused.err


def test_two_rejected_lots_of_five_tighten_and_five_accepted_ones_relax(series: Series) -> None:
    """MIL-STD-105E, 4.7.1 and 4.7.2 (read)."""
    assert [series.measure(f"B-{n}", failing) for n, failing in enumerate((2, 0, 2), 1)] == [1, 0, 1]
    tightened = series.plan("B-4")
    assert (tightened["severity"], tightened["pieces_to_measure"]) == ("tightened", 20)
    assert tightened["series"] == (
        "Tightened inspection; after lot B-3: tightened inspection, 2 of at most 5 consecutive lots not accepted."
    )
    assert [series.measure(f"B-{n}") for n in range(4, 9)] == [0] * 5
    assert series.plan("B-9")["severity"] == "normal"
    # An earlier lot is still judged as severely as it was inspected.
    assert json.loads(series.say("assess", "B-4", "--json")[1])["lot_plan"]["pieces_to_measure"] == 20


def test_a_resubmitted_lot_does_not_count_in_the_series(series: Series) -> None:
    """MIL-STD-105E, 4.7.1 (read): original inspection alone counts."""
    assert series.measure("B-1", failing=2) == 1
    series.say("assess", "--plan", "latch", "--lot", "B-1", "--lot-size", "40", "--draw-again", "sorted and sent again")
    series.measure("B-1", failing=2)
    assert series.plan("B-2")["severity"] == "normal"


def test_five_rejected_lots_on_tightened_stop_acceptance_until_the_job_says_that_it_resumes(series: Series) -> None:
    """MIL-STD-105E, 4.8 (read)."""
    for n in range(1, 8):
        series.measure(f"C-{n}", failing=3)
    assert series.plan("C-8")["stopped"] is True
    assert series.measure("C-8") == 1
    assert "acceptance is stopped" in series.say("assess", "C-8", "--json")[1]
    day = (series.at + timedelta(hours=8)).date()
    series.at += timedelta(days=1)
    series.job(JOB.replace("reduced = true", f"resumed_on = {day}"))
    assert series.plan("C-9")["stopped"] is False
    assert series.measure("C-9") == 0


def test_a_sampled_job_asks_for_the_size_of_the_lot_before_anything_is_measured(series: Series) -> None:
    code, _, err = series.say("measure", "latch", "--lot", "A-1", "--inspector", "mk", "--gauge", "FB-11")
    assert code == 2
    assert "samples its lots, so the plan needs the number of pieces: say --lot-size" in err
    series.plan("A-1", 40)
    code, _, err = series.say(
        "measure", "latch", "--lot", "A-1", "--inspector", "mk", "--gauge", "FB-11", "--lot-size", "41"
    )
    assert code == 2
    assert "was drawn from 40 pieces; correct the number" in err


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((), "--plan needs --lot-size"),
        (("--lot-size", "0"), "--plan needs --lot-size"),
        (("--lot-size", "9", "--seed", "a"), "draw for a lot; name it with --lot"),
        (("--lot-size", "9", "--lot", "L", "--seed", "a b"), "is no draw"),
        (("--lot-size", "3", "--picture", "x.svg"), "every piece is measured, so there is no curve"),
    ],
)
def test_a_plan_that_cannot_be_made_is_refused_in_one_sentence(
    series: Series, words: tuple[str, ...], sentence: str
) -> None:
    answer = series.door("assess", "--plan", "latch", *words)
    assert answer.code == 2
    assert sentence in answer.sentence


def test_an_aql_that_no_table_has_is_refused_before_measuring(series: Series) -> None:
    series.job(JOB.replace("aql = 4.0", "aql = 3.0"))
    answer = series.door("assess", "--plan", "latch", "--lot-size", "40")
    assert answer.code == 2
    assert "plans are held for an AQL of" in answer.sentence


def test_a_draw_that_was_changed_on_disk_is_found(series: Series) -> None:
    series.plan("A-1")
    (path,) = (series.door.folder / "draws").iterdir()
    path.write_text(path.read_text(encoding="utf-8").replace('"n":13', '"n":"x"'), encoding="utf-8")
    answer = series.door("assess", "--plan", "latch", "--lot", "A-1", "--lot-size", "40")
    assert answer.code == 4
    assert "is not as it was written" in answer.sentence


def test_the_curve_is_printed_as_numbers_and_drawn_as_a_picture(series: Series, tmp_path: Path) -> None:
    picture = tmp_path / "curve.svg"
    answer = series.door("assess", "--plan", "latch", "--lot-size", "40", "--picture", str(picture))
    assert answer.code == 0
    # Binomial, n 13 and Ac 1, by hand: 0.9^13 + 13 · 0.1 · 0.9^12 = 0.621.
    assert "10.0 %      62.1 %" in answer.out
    assert "MEASURE 13 PIECES" in answer.out
    drawn = picture.read_text(encoding="utf-8")
    assert drawn.startswith("<svg")
    assert "consumer&#39;s risk: 10% accepted at 26.8%" in drawn
    assert "producer&#39;s risk: 9.3% rejected at an AQL of 4%" in drawn


def test_a_curve_is_written_over_nothing_unasked_and_never_among_what_the_shop_keeps(
    series: Series, tmp_path: Path
) -> None:
    door, mine = series.door, tmp_path / "mine.svg"
    mine.write_text("mine", encoding="utf-8")
    drawing = door.folder / "drawings" / "new.svg"
    drawing.parent.mkdir(exist_ok=True)
    drawn = ("assess", "--plan", "latch", "--lot", "A-1", "--lot-size", "40", "--picture")
    for path, more, sentence in (
        (mine, (), "is there already; name another file, or say --replace"),
        (drawing, ("--replace",), "belongs to what the shop keeps"),
        (door.folder / "jobs" / "latch.toml", ("--replace",), "let the name end in .svg"),
        (tmp_path / "no" / "curve.svg", (), "there is no such folder"),
    ):
        answer = door(*drawn, str(path), *more)
        assert (answer.code, sentence in answer.sentence) == (2, True), answer
    assert mine.read_text(encoding="utf-8") == "mine"
    assert not drawing.exists()
    # What is drawn is written down for good, so a picture that cannot be written is refused before.
    assert not list((door.folder / "draws").glob("*"))
    assert door(*drawn, str(mine), "--replace").code == 0
    assert mine.read_text(encoding="utf-8").startswith("<svg")


def test_a_job_without_sampling_says_so_and_warns_of_a_window_that_nobody_holds(series: Series) -> None:
    narrow = JOB.replace("upper = 120", "upper = 80").replace('sampling = { scheme = "attributes", aql = 4.0, reduced = true }', "")  # fmt: skip
    series.job(narrow)
    answer = series.door("assess", "--plan", "latch", "--lot-size", "40")
    assert answer.code == 0
    assert "NO SAMPLING IS NAMED" in answer.out
    assert "warning: face: 60 to 80 µm leaves a window of 20.0 µm" in answer.out


def test_a_rejected_lot_that_is_shown_again_says_so_wherever_it_is_judged(series: Series) -> None:
    assert series.measure("B-1", failing=2) == 1
    series.plan("B-1", 40, "--draw-again", "sorted")
    series.measure("B-1")
    found = [i for i in json.loads(series.say("assess", "--all", "--json")[1]) if i["lot"] == "B-1"]
    assert "Shown again" not in found[0]["lot_plan"]["series"]
    said = found[1]["lot_plan"]["series"]
    assert f"Shown again: lot B-1 was inspected before as {found[0]['inspection_id']}, and it was not accepted." in said
    certified = series.door("certify", found[1]["inspection_id"], *series.door.signed_in(), "--json")
    assert certified.code == 0, certified
    assert series.door("verify", json.loads(certified.out)["pdf"]).code == 0


def test_an_amendment_does_not_undo_what_followed_from_a_rejected_lot(series: Series) -> None:
    for n, failing in enumerate((2, 2), 1):
        series.measure(f"B-{n}", failing)
    assert series.plan("B-3")["severity"] == "tightened"
    (second,) = [
        i["inspection_id"] for i in json.loads(series.say("assess", "--all", "--json")[1]) if i["lot"] == "B-2"
    ]
    code, _, err = series.say(
        "amend", second, "--exclude", "1=slip", "--exclude", "2=slip", "--by", "mk", "--why", "slipped"
    )
    assert code == 0, err
    assert series.plan("B-3")["severity"] == "tightened"
    assert json.loads(series.say("assess", "B-2", "--json")[1])["verdict"] == "UNDECIDED"


def test_a_variables_plan_that_no_table_holds_is_refused_before_measuring(series: Series) -> None:
    series.job(
        JOB.replace('scheme = "attributes", aql = 4.0, reduced = true', 'scheme = "variables", letter = "B", aql = 1.0')
    )
    words = ("--lot", "A-1", "--lot-size", "40", "--inspector", "mk", "--gauge", "FB-11")
    answer = series.door("measure", "latch", *words)
    assert answer.code == 2
    assert "no plan is held for letter B, AQL 1.0" in answer.sentence


def test_a_lot_size_that_is_corrected_is_judged_anew_and_a_sample_drawn_from_another_is_none(series: Series) -> None:
    """MIL-STD-105E, tables I and II-A (read): 13 pieces of 26 to 50 are measured, and 20 of 91 to 150."""
    assert series.measure("C-1", pieces=list(range(1, 14)), size=40) == 0
    assert series.measure("C-2") == 0
    why = ("--by", "mk", "--why", "counted again")
    for lot, size, verdict in (("C-1", 120, "UNDECIDED"), ("C-1", 44, "PASS"), ("C-2", 44, "UNDECIDED")):
        answer = series.door("amend", lot, "--set", f"lot_size={size}", *why)
        assert answer.code == 0, answer
        judged = json.loads(series.say("assess", lot, "--json")[1])
        assert judged["verdict"] == verdict
    assert "the sample was drawn from 40 pieces, and the lot has 44: draw again" in json.dumps(judged)
    assert series.door("archive", "check").code == 0
