"""Gauge studies through the front door: what is taken, what is refused, what is kept, and a published study.

Outside source: AIAG, Measurement Systems Analysis, 4th edition, study of 10 parts, 3 operators and 3 trials. The data
were read in public copies, and so were the results of average and range; those of the analysis of variance are derived
from the data, and tests/standards/test_gauge_study.py compares them with statsmodels. Its readings are about zero and
some are negative, which no film is: 10 mil are added to every one. That changes no difference, so no range and no
variance. Everything else here is invented.
"""

from __future__ import annotations

import errno
import io
import json
import os
import re
from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from archive.store import Archive
from ingest.framing import Frame
from ingest.inspection import Problem, Told
from ingest.links.raw_line import RawLine
from ingest.studying import WIDTH, Result, StudyReading, StudyTaking, headline, report, rows
from schemas.gauge_checks import GaugeCheck
from schemas.profile import Profile
from schemas.units import Unit
from schemas.vocabulary import ProbeMode
from tests.front.shop import Answer, FrontDoor, sample_shop
from tests.ingest.taking import SHOP

AIAG = json.loads((Path(__file__).parents[1] / "standards" / "aiag_grr.json").read_text(encoding="utf-8"))["data"]
CODES = {"A": "mk", "B": "oj", "C": "rt"}
THIRD = '\n[[inspector]]\ncode = "rt"\nname = "Runa Tarn"\nrole = "racker"\nindependent_of_production = false\n'
GAUGE = ("--gauge", "FB-11", "--mode", "magnetic", "--by", "mk")
SMALL = "@operator mk\n@part hinge\n88.1\n88.0\n@part latch\n70\n71\n@operator oj\n70.5\n72\n@part hinge\n89\n88\n"
TABLE = "operator,part,reading\n" + "".join(
    f"{operator},{part},{figures}\n"
    for operator, part, figures in (
        ("mk", "hinge", "88.1"),
        ("mk", "hinge", "88.0"),
        ("mk", "latch", "70"),
        ("mk", "latch", "71"),
        ("oj", "latch", "70.5"),
        ("oj", "latch", "72"),
        ("oj", "hinge", "89"),
        ("oj", "hinge", "88"),
    )
)


class Terminal(io.StringIO):
    """What a person types."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def door(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> FrontDoor:
    """A fresh copy of the sample shop with a third inspector, and the front door to it."""
    for name in ("FILMTALLY_SHOP", "FILMTALLY_PASSPHRASE"):
        monkeypatch.delenv(name, raising=False)
    folder = sample_shop(tmp_path / "shop")
    with (folder / "shop.toml").open("a", encoding="utf-8") as shop:
        shop.write(THIRD)
    return FrontDoor(folder, capsys)


def _type(door: FrontDoor, monkeypatch: pytest.MonkeyPatch, text: str, *more: str, by_hand: bool = False) -> Answer:
    monkeypatch.setattr("sys.stdin", Terminal(text) if by_hand else io.StringIO(text))
    return door("check", "study", *GAUGE, *more)


def _from(door: FrontDoor, text: str | bytes, *more: str, name: str = "study.txt") -> Answer:
    data = text.encode() if isinstance(text, str) else text
    return door("check", "study", *GAUGE, "--from", door.write(name, data), "--profile", "typed", *more)


def _checks(door: FrontDoor) -> list[GaugeCheck]:
    return Archive(door.folder / "archive", "look").checks()


def _plain(text: str) -> str:
    """Return *text* with its lines joined, since sentences are wrapped."""
    return " ".join(text.split())


def _published(unit: str = " mil") -> str:
    lines = []
    for operator, trials in AIAG.items():
        for trial in trials:
            lines.append(f"@operator {CODES[operator]}")
            for part, value in enumerate(trial, start=1):
                lines += [f"@part part {part}", f"{Decimal(value) + 10}{unit}"]
    return "\n".join(lines) + "\n"


# the published study


def test_the_published_study_typed_comes_to_its_published_results(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = _type(door, monkeypatch, _published(""), "--unit", "mil", "--json")
    assert answer.code == 0, answer
    found = json.loads(answer.out)
    gauge = "repeatability and reproducibility"
    by_range = found["average_and_range"]
    figures = {
        source: (f"{Decimal(row['standard_deviation']):.5f}", f"{Decimal(row['percent_of_variation']):.1f}")
        for source, row in by_range["sources"].items()
    }
    assert figures == {
        "repeatability": ("0.20186", "17.6"),
        "reproducibility": ("0.22967", "20.0"),
        gauge: ("0.30577", "26.7"),
        "part": ("1.10460", "96.4"),
        "total": ("1.14613", "100.0"),
    }
    assert by_range["distinct_categories"] == 5
    by_variance = found["analysis_of_variance"]
    assert by_variance["pooled"]
    pooled = by_variance["interaction_pooled"]
    assert f"{Decimal(pooled['sources'][gauge]['percent_of_variation']):.2f}" == "27.86"
    assert f"{Decimal(pooled['sources'][gauge]['percent_of_contribution']):.2f}" == "7.76"
    assert pooled["distinct_categories"] == 4
    components = ("repeatability", "operator", gauge, "part")
    variances = [f"{float(Fraction(pooled['sources'][source]['variance'])):.4f}" for source in components]
    assert variances == ["0.0400", "0.0515", "0.0914", "1.0864"]
    interaction = by_variance["with_interaction"]["table"][2]
    assert (interaction["source"], interaction["degrees"]) == ("operator by part", 18)
    assert f"{Decimal(interaction['probability']):.4f}" == "0.9741"
    assert f"{float(Fraction(by_variance['sum_of_squares'])):.6f}" == "94.647112"


def test_the_published_study_is_told_as_a_colleague_would(door: FrontDoor) -> None:
    capture = door.write("study.txt", _published().encode())
    answer = door("check", "--study", *GAUGE, "--from", capture)
    assert answer.code == 0, answer
    said = _plain(answer.out)
    assert said.startswith(
        "Of what varies in these readings, 27.9 % (in standard deviations) is the gauge and its hands; by analysis of "
        "variance the gauge can tell 4 groups of parts apart, by average and range 5; both are right by their own rule."
    )
    assert "was pooled with the repeatability: p is 0.9741, above 0.25" in said
    assert "does not tell whether the gauge reads right (its accuracy): that is a verification" in said
    assert "repeatability and reproducibility 0.3024 7.76 27.86" in said
    assert "repeatability and reproducibility 0.3058 7.12 26.68" in said
    assert "distinct categories: 4 (4.86, truncated)" in said
    assert "distinct categories: 5 (5.09, truncated)" in said
    assert "tolerance" not in said
    assert max(map(len, answer.out.splitlines())) <= WIDTH


# what is kept


def test_a_study_is_one_check_with_a_row_for_each_operator_and_part(door: FrontDoor) -> None:
    answer = _from(door, SMALL, "--at", "2026-11-03T10:00", "--temperature", "20.5", "--note", "marked spots")
    assert answer.code == 0, answer
    found = _checks(door)
    assert [(row.done_by, row.standard_id, row.readings_um, row.mean_um) for row in found] == [
        ("mk", "hinge", [Decimal("88.1000"), Decimal("88.0000")], Decimal("88.0500")),
        ("mk", "latch", [Decimal("70.0000"), Decimal("71.0000")], Decimal("70.5000")),
        ("oj", "latch", [Decimal("70.5000"), Decimal("72.0000")], Decimal("71.2500")),
        ("oj", "hinge", [Decimal("89.0000"), Decimal("88.0000")], Decimal("88.5000")),
    ]
    assert len({row.check_id for row in found}) == 1
    first = found[0]
    assert (first.kind, first.gauge_serial, first.probe_mode, first.unit) == ("study", "FB-11", "magnetic", "um")
    assert (first.done_at, first.temperature_c) == (datetime(2026, 11, 3, 10, tzinfo=UTC), Decimal("20.5"))
    assert (first.within, first.occasion, first.certified_um, first.error_um) == (None, None, None, None)
    assert re.fullmatch(r"study run by mk; marked spots; capture [0-9a-f]{64}", first.note or "")
    assert door("archive", "check").code == 0
    kept = door.folder / "captures" / f"{(first.note or '')[-64:]}.capture"
    assert kept.read_text(encoding="utf-8") == SMALL


def test_readings_in_mil_are_kept_in_micrometres_exactly(door: FrontDoor) -> None:
    assert _from(door, _published()).code == 0
    assert _checks(door)[0].readings_um == [Decimal("261.3660"), Decimal("264.4140"), Decimal("270.2560")]


def test_the_same_file_again_adds_nothing_and_tells_the_same(door: FrontDoor) -> None:
    once, again = _from(door, SMALL), _from(door, SMALL)
    assert again.code == 0
    assert "was recorded before; nothing was added" in again.out
    assert again.out.splitlines()[:-1] == once.out.splitlines()[:-1]
    assert len(_checks(door)) == 4
    assert json.loads(_from(door, SMALL, "--json").out)["recorded_before"] is True


def test_the_same_file_with_something_put_right_is_recorded_anew(door: FrontDoor) -> None:
    assert _from(door, SMALL).code == 0
    assert "study recorded" in _from(door, SMALL, "--at", "2026-11-03T10:00").out
    assert "nothing was added" in _from(door, SMALL, "--at", "2026-11-03T10:00").out
    assert "study recorded" in _from(door, SMALL, "--unit", "mil", "--temperature", "21").out
    assert len({row.check_id for row in _checks(door)}) == 3


def test_the_same_figures_typed_again_are_another_study(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(2):
        assert _type(door, monkeypatch, SMALL).code == 0
    assert len({row.check_id for row in _checks(door)}) == 2
    assert list((door.folder / "captures").glob("*.typed")) == []


# the gate


def test_a_study_alone_leaves_the_readings_uncovered(door: FrontDoor) -> None:
    assert _from(door, SMALL, "--at", "2026-11-03T09:30").code == 0
    answer = door.measure("hinge", door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4))
    assert answer.code == 0, answer
    assert _from(door, SMALL, "--at", "2026-11-03T15:00").code == 0
    refused = door("certify", "L-1", *door.signed_in())
    assert refused.code == 3
    assert "8 of 8 readings are not covered" in refused.sentence
    assert "no check" in refused.sentence


def test_a_study_among_good_checks_takes_nothing_from_them(door: FrontDoor) -> None:
    assert _from(door, SMALL, "--at", "2026-11-03T09:30").code == 0
    inspection = door.covered_lot()
    assert _from(door, SMALL, "--at", "2026-11-03T16:00").code == 0
    assert door("certify", inspection, *door.signed_in()).code == 0
    (pdf,) = (door.folder / "certificates").glob("*.pdf")
    verified = door("verify", str(pdf))
    assert verified.code == 0, verified


# how the lines are read


def test_the_gauges_own_lines_are_read_by_its_profile(door: FrontDoor) -> None:
    study = SMALL.replace("@part hinge\n", "@part hinge\n\n  \nno contact\nbattery 20 %\n")
    lines = re.sub(r"^([0-9.]+)$", r"\1 um", study, flags=re.MULTILINE)
    answer = door("check", "study", *GAUGE, "--from", door.write("g.txt", lines.encode()))
    assert answer.code == 0, answer
    assert [len(row.readings_um or ()) for row in _checks(door)] == [2, 2, 2, 2]


def test_a_capture_with_the_time_of_each_line_is_read(door: FrontDoor) -> None:
    timed = "# filmtally capture 1\n" + "".join(f"2026-11-03T09:20:07Z\t{line}\n" for line in SMALL.splitlines())
    assert _from(door, timed).code == 0
    assert len(_checks(door)) == 4


def test_undo_leaves_the_last_reading_out_and_the_record_says_so(door: FrontDoor) -> None:
    assert _from(door, SMALL.replace("88.1\n", "99\n@undo\n88.1\n")).code == 0
    assert _checks(door)[0].readings_um == [Decimal("88.1000"), Decimal("88.0000")]
    assert "; 1 left out while reading; " in (_checks(door)[0].note or "")


@pytest.mark.parametrize(
    "table",
    [
        TABLE,
        TABLE.rstrip("\n"),
        "\ufeff" + TABLE.replace("\n", "\r\n"),
        TABLE.replace(",", ";").replace("operator", "Operator"),
        TABLE.replace(",", "\t"),
        "".join(",".join(f'"{cell}"' for cell in line.split(",")[::-1]) + "\n" for line in TABLE.splitlines()),
        TABLE.replace("oj,latch,70.5\n", "\n oj , latch , 70.5 um\n"),
    ],
    ids=[
        "commas",
        "no last line end",
        "byte order mark",
        "semicolons",
        "tabs",
        "quoted, other order",
        "spaces and a unit",
    ],
)
def test_a_table_is_read_whatever_the_order_of_its_columns(door: FrontDoor, table: str) -> None:
    answer = _from(door, table, name="study.csv")
    assert answer.code == 0, answer
    assert {(row.done_by, row.standard_id): row.mean_um for row in _checks(door)} == {
        ("mk", "hinge"): Decimal("88.0500"),
        ("mk", "latch"): Decimal("70.5000"),
        ("oj", "latch"): Decimal("71.2500"),
        ("oj", "hinge"): Decimal("88.5000"),
    }


def test_the_unit_of_a_table_is_said_beside_it(door: FrontDoor) -> None:
    """No line profile is named, and none is needed."""
    table = re.sub(r"[0-9.]+$", lambda um: f"{Decimal(um[0]) / 25:.1f}", TABLE, flags=re.MULTILINE)
    answer = door("check", "study", *GAUGE, "--unit", "mil", "--from", door.write("s.csv", table.encode()))
    assert answer.code == 0, answer
    assert "deviation, mil" in answer.out
    assert {row.unit for row in _checks(door)} == {"mil"}
    assert _checks(door)[1].readings_um == [Decimal("71.1200"), Decimal("71.1200")]


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("mk,latch,71", "mk,latch", "line 5: has 2 cells, and the first line names 3 columns"),
        ("mk,latch,71", "mk,latch,O", "line 5: 'O' is not how profile"),
        ("mk,latch,71", "mk,latch,7O", "line 5: unknown unit 'O'"),
        ("mk,latch,71", "mk,latch,71,2", "line 5: has 4 cells"),
        ("mk,latch,71", 'mk,latch,"71,2"', "line 5: '71,2' has a decimal comma"),
        ("mk,latch,71", 'mk,"lat"ch,71', "line 5: a quotation mark is open or stands amid a cell"),
        ("mk,latch,71", "mk,,71", "line 5: part is empty"),
        ("mk,latch,71", "mk,latch,", "line 5: reading is empty"),
        ("mk,latch,71", "zz,latch,71", "line 5: operator 'zz' is no inspector of shop.toml .there are: mk, oj, rt.; .* add an"),
        ("mk,latch,71", "mk,latch,-71", "line 5: -71 µm is negative, which no film is"),
        ("mk,latch,71", "mk,latch,2.8 mil", "line 5: 2.8 mil: the readings before it are in µm; a study is in one unit"),
        ("mk,latch,71", "mk,lat\u00adch\u0001,71", "line 5: has control characters"),
        ("operator,part,reading", "operator,part,value", "line 1: the table has the columns 'operator', 'part', 'value'; a study has"),
        ("operator,part,reading", "operator,operator,reading", "line 1: the table has the columns"),
        ("operator,part,reading", "operator", "line 1: the table has the columns 'operator'"),
    ],
)  # fmt: skip
def test_a_bad_line_of_a_table_is_named(door: FrontDoor, old: str, new: str, sentence: str) -> None:
    answer = _from(door, TABLE.replace(old, new), name="study.csv")
    assert answer.code == 2
    assert re.search(rf"study\.csv: (?:{sentence})", answer.sentence), answer.sentence
    assert answer.sentence.endswith("nothing was taken")
    assert _checks(door) == []


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (SMALL.replace("@operator mk\n", ""), "line 2: nobody is named who read this; write '@operator CODE' on a line before it (also lines 3, 5, 6); nothing was taken"),
        (SMALL.replace("@part hinge\n", "", 1), "line 2: no part is named that this was read on; write '@part NAME' on a line before it (also line 3)"),
        (SMALL.replace("@operator oj", "@operator Odo"), "line 8: operator 'Odo' is no inspector of shop.toml"),
        (SMALL.replace("@part latch", "@part"), "line 5: @part needs a name after it"),
        (SMALL.replace("@part latch", "@part " + "x" * 201), "line 5: the name of the part has 201 characters"),
        (SMALL.replace("@part latch", "@place latch"), "line 5: '@place' means nothing here; the words are @operator @part @undo"),
        ("@undo\n" + SMALL, "line 1: there is no reading before this that could be left out"),
        (SMALL.replace("71\n", "@undo please\n"), "line 7: @undo leaves out the last reading and stands alone"),
        (SMALL.replace("71\n", "seventy\n"), "line 7: 'seventy' is not how profile"),
        (SMALL.replace("71\n", "7 1\n"), "line 7: "),
        (SMALL.replace("71\n", "2600\n"), "line 7: 2600 µm is above 2500 µm"),
        (SMALL.replace("71\n", "2.8 mil\n"), "line 7: 2.8 mil: the readings before it are in µm"),
        (SMALL[:-1], "line 13: '88' is the last line and has no line end, so it may be cut short; end it with a line end"),
        (SMALL[:-1] + ".", "line 13: '88.' is not a number; take it out or use the right profile; it is the last line and has no line end, so"),
        ("", "there is nothing in this capture"),
    ],
)  # fmt: skip
def test_a_bad_line_of_a_capture_is_named(door: FrontDoor, text: str, sentence: str) -> None:
    answer = _from(door, text)
    assert answer.code == 2
    assert "study.txt: " in answer.sentence
    assert sentence in answer.sentence
    assert _checks(door) == []


def test_a_unit_that_is_said_and_another_that_is_written_are_not_both_right(door: FrontDoor) -> None:
    answer = _from(door, SMALL.replace("71\n", "71 um\n"), "--unit", "mil")
    assert "line 7: 71 µm is not in mil, which --unit says; correct one of them" in answer.sentence


# whole studies


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("\n\n", "there is no reading; a study is '@operator CODE'"),
        (SMALL.replace("@operator oj\n", ""), "only mk has read (mk has 4 on part 'hinge' and mk has 4 on part 'latch'); one operator shows the repeatability alone"),
        (re.sub("@part latch", "@part hinge", SMALL), "only one part was read (mk has 4 on part 'hinge' and oj has 4 on part 'hinge'); let the same operators read a second part"),
        (SMALL.replace("71\n", ""), "a study has equally many readings of every operator on every part, here 2, but mk has 1 on part 'latch'; read what is missing, or take out what is too much"),
        (SMALL.replace("71\n", "71\n71\n"), "here 2, but mk has 3 on part 'latch'"),
        (SMALL.replace("@part hinge\n89\n88\n", ""), "here 2, but oj has none on part 'hinge'"),
        (SMALL.replace("88.0\n", "").replace("71\n", "").replace("72\n", "").replace("89\n", ""), "one reading does not show how the gauge repeats"),
        (SMALL.replace("@part hinge\n89", "@part Hinge\n89"), "here 2, but mk has none on part 'Hinge' and oj has none on part 'hinge'"),
    ],
    ids=["no reading", "one operator", "one part", "one less", "one more", "a part missed", "once each", "a name that differs"],
)  # fmt: skip
def test_a_study_that_is_not_whole_is_refused_with_who_has_how_many(door: FrontDoor, text: str, sentence: str) -> None:
    answer = _from(door, text)
    assert answer.code == 2
    assert f"study.txt: {sentence}" in answer.sentence or sentence in answer.sentence, answer.sentence
    assert _checks(door) == []


def test_the_count_that_most_have_is_taken_for_what_was_meant(door: FrontDoor) -> None:
    answer = _from(door, _published().replace("10.41 mil\n", "", 1))
    assert "here 3, but mk has 2 on part 'part 1';" in answer.sentence


# who, which gauge, what else is said


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--gauge", "FB-99", "--by", "mk"), "there is no gauge 'FB-99'"),
        (("--gauge", "FB-11", "--by", "mk"), "say which with --mode"),
        (("--gauge", "FB-07", "--by", "mk", "--mode", "eddy-current"), "gauge 'FB-07' has no mode eddy-current"),
        (("--gauge", "FB-07", "--by", "zz"), "there is no inspector 'zz'"),
        (("--gauge", "FB-07", "--by", "mk", "--at", "2027-01-01T10:00"), "is still to come"),
        (("--gauge", "FB-07", "--by", "mk", "--temperature", "20.55"), "--temperature 20.55: one decimal is kept"),
        (("--gauge", "FB-07", "--by", "mk", "--note", "a\nb"), "--note"),
        (("--gauge", "FB-07", "--by", "mk", "--from", "none.txt"), "none.txt: there is no such capture"),
        (("--gauge", "FB-07", "--by", "mk", "--profile", "none"), "there is no line profile 'none'"),
    ],
)
def test_words_that_name_nothing_are_refused(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], sentence: str
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(SMALL))
    answer = door("check", "study", *words)
    assert answer.code == 2
    assert sentence in answer.sentence


def test_a_capture_of_a_gauge_without_a_profile_asks_for_one(door: FrontDoor) -> None:
    shop = door.folder / "shop.toml"
    shop.write_text(shop.read_text(encoding="utf-8").replace('profile = "number-and-unit"\n', ""), encoding="utf-8")
    answer = door("check", "study", *GAUGE, "--from", door.write("s.txt", SMALL.encode()))
    assert (
        "gauge 'FB-11' has no line profile in shop.toml; name one with --profile (there are: typed, comma"
        in answer.sentence
    )
    assert door("check", "study", *GAUGE, "--from", door.write("s.csv", TABLE.encode())).code == 0


@pytest.mark.parametrize("words", [("check",), ("check", "--study"), ("check", "study"), ("check", "studies")])
def test_a_check_without_its_words_is_bad_usage(door: FrontDoor, words: tuple[str, ...]) -> None:
    with pytest.raises(SystemExit) as caught:
        door(*words)
    assert caught.value.code == 2


# typed by hand


def test_what_is_typed_is_answered_line_by_line(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    text = "88\n" + SMALL.replace("71\n", "71\nno\n@undo\n\n71.5\n")
    answer = _type(door, monkeypatch, text, by_hand=True)
    assert answer.code == 0, answer
    assert "@operator CODE, @part NAME >   NOT TAKEN: line 1: nobody is named" in answer.out
    assert "mk, hinge >   taken: 88.0 µm, mk on part hinge, reading 2" in answer.out
    assert "NOT TAKEN: line 9: 'no' is not how profile" in answer.out
    assert "71 µm of mk on part latch is left out" in answer.out
    assert "nothing typed" in answer.out
    assert _checks(door)[1].readings_um == [Decimal("70.0000"), Decimal("71.5000")]
    assert list((door.folder / "captures").glob("*.typed")) == []


def test_an_unfinished_study_that_was_typed_is_kept_and_can_be_completed(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = _type(door, monkeypatch, "nonsense\n" + SMALL.replace("89\n", ""), "--unit", "um", by_hand=True)
    assert answer.code == 2
    assert "oj has 1 on part 'hinge'" in answer.sentence
    (draft,) = (door.folder / "captures").glob("*.typed")
    assert answer.sentence.endswith(f"complete {draft} and take it with --from {draft} --profile typed --unit um")
    with draft.open("a", encoding="utf-8") as more:
        more.write("89\n")
    again = door("check", "study", *GAUGE, "--from", str(draft), "--profile", "typed", "--unit", "um")
    assert again.code == 0, again
    assert len(_checks(door)) == 4


def test_nothing_is_left_behind_where_nothing_was_typed(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    answer = _type(door, monkeypatch, "", by_hand=True)
    assert answer.code == 2
    assert answer.sentence.startswith("filmtally: standard input: there is no reading")
    assert not (door.folder / "captures").exists()


def test_a_program_that_writes_a_bad_line_is_refused_whole(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    answer = _type(door, monkeypatch, SMALL + "nonsense\n")
    assert answer.code == 2
    assert answer.sentence.startswith("filmtally: standard input: line 14: 'nonsense' is not how profile")
    assert not (door.folder / "captures").exists()


def test_a_table_may_be_written_to_standard_input(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    assert _type(door, monkeypatch, TABLE).code == 0


@pytest.mark.parametrize("by_hand", [True, False])
def test_a_full_disk_is_told_in_one_sentence(door: FrontDoor, monkeypatch: pytest.MonkeyPatch, by_hand: bool) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    (door.folder / "captures").mkdir()
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        answer = _type(door, patch, SMALL, by_hand=by_hand)
    assert answer.code == 2
    assert "the disk is full" in answer.sentence
    assert _checks(door) == []


# what the gauge itself says in a line


COUNTED = Profile.model_validate(
    {
        "title": "counted",
        "reading": r"(?P<counter>\d+) (?P<mode>\w+) (?P<piece>\w*) (?P<thickness>[-+0-9.]+)",
        "unit": "um",
        "modes": {"F": "magnetic", "N": "eddy-current"},
    }
)


FRAMED = COUNTED.model_copy(update={"control": "\x02\x03\x1c", "reading": "\x02" + COUNTED.reading + "\x03"})


def _taking() -> StudyTaking:
    return StudyTaking(SHOP, ProbeMode.MAGNETIC, lambda: COUNTED, operator="mk")


def _feed(taking: StudyTaking, text: str) -> Any:
    return taking.feed(RawLine(1, Frame(text.encode(), len(text.encode())), None))


def test_the_part_that_the_gauge_names_is_the_part() -> None:
    taking = _taking()
    reading = _feed(taking, "1 F hinge 88")
    assert isinstance(reading, StudyReading)
    assert (reading.part, reading.figures) == ("hinge", "88 µm")
    assert isinstance(_feed(taking, "@part latch"), Told)
    problem = _feed(taking, "2 F hinge 88")
    assert isinstance(problem, Problem)
    assert problem.sentence == "the gauge names part 'hinge', and '@part latch' stands before it; take one of them out"


def test_a_counter_that_comes_twice_and_another_mode_are_problems() -> None:
    taking = _taking()
    assert isinstance(_feed(taking, "1 F hinge 88"), StudyReading)
    assert "has counter 1 again; it may have been sent twice" in _feed(taking, "1 F hinge 88").sentence
    assert "was read in mode eddy-current, and the study is of mode magnetic" in _feed(taking, "2 N hinge 88").sentence
    assert len(taking.readings) == 1
    assert isinstance(_feed(taking, "@undo"), Told)
    assert isinstance(_feed(taking, "1 F hinge 88"), StudyReading)


def test_a_gauge_that_frames_its_lines_is_studied_as_any_other() -> None:
    taking = StudyTaking(SHOP, ProbeMode.MAGNETIC, lambda: FRAMED)
    first = _feed(taking, "\x021 F hinge 88\x03")
    assert isinstance(first, Problem)
    assert "nobody is named who read this" in first.sentence
    assert isinstance(_feed(taking, "@operator mk"), Told)
    reading = _feed(taking, "\x021 F hinge 88\x03")
    assert isinstance(reading, StudyReading)
    assert (reading.part, reading.figures) == ("hinge", "88 µm")


@pytest.mark.parametrize("line", ["\x01@undo", "\x1c@undo", "\x021 F hinge\x01 88\x03"])
def test_what_frames_a_gauge_s_lines_makes_no_word_and_nothing_else_is_let_through(line: str) -> None:
    taking = StudyTaking(SHOP, ProbeMode.MAGNETIC, lambda: FRAMED, operator="mk")
    assert isinstance(_feed(taking, "\x021 F hinge 88\x03"), StudyReading)
    assert isinstance(_feed(taking, line), Problem)
    assert len(taking.readings) == 1


def test_a_table_has_no_control_characters_whatever_the_gauge_frames() -> None:
    taking = StudyTaking(SHOP, ProbeMode.MAGNETIC, lambda: FRAMED)
    assert _feed(taking, "operator,part,reading") == Told("a table")
    assert "has control characters" in _feed(taking, "mk,\x02hinge,88").sentence


def test_a_line_that_is_no_text_is_a_problem() -> None:
    taking = _taking()
    found = taking.feed(RawLine(1, Frame(b"\x00\x01", 2), None))
    assert isinstance(found, Problem)


def test_a_mean_that_the_archive_cannot_keep_is_rounded_to_its_last_place() -> None:
    taking = _taking()
    for counter, figures in enumerate(("80", "80", "81"), start=1):
        _feed(taking, f"{counter} F hinge {figures}")
    at = datetime(2026, 11, 3, 8, 0, 0, 123_456, tzinfo=UTC)
    (row,) = rows(taking, check_id="C", gauge_serial="G1", done_at=at, run_by="mk", capture_sha256="0" * 64)
    assert (row.mean_um, row.done_at.microsecond) == (Decimal("80.3333"), 123_000)


# what is said where the figures are odd


def _result(*cells: str, parts: int = 2) -> Result:
    """Return the result of cells "88 89", operator by operator."""
    names = [f"p{n}" for n in range(1, parts + 1)]
    figures = iter(tuple(map(Decimal, cell.split())) for cell in cells)
    operators = [f"o{n}" for n in range(1, len(cells) // parts + 1)]
    return Result({operator: {name: next(figures) for name in names} for operator in operators}, Unit.UM)


def test_readings_that_are_all_the_same_tell_nothing() -> None:
    said = _plain(report(_result("88 88", "88 88", "88 88", "88 88")))
    assert said.startswith("Nothing varies: every reading is the same")
    assert "there is nothing to test it with" in said
    assert "distinct categories: none to be told, since the gauge shows no variation" in said


def test_a_gauge_that_never_varies_has_no_number_of_categories() -> None:
    said = headline(_result("88 88", "70 70", "88 88", "70 70"))
    assert said.startswith("Of what varies in these readings, 0.0 %")
    assert said.endswith("by both methods the gauge shows no variation of its own beside that of the parts.")


def test_a_gauge_that_cannot_tell_the_parts_apart_is_said_to_be_so() -> None:
    said = headline(_result("88 90", "89 88", "90 88", "88 91"))
    assert said.endswith("by both methods the gauge cannot tell these parts apart.")


def test_an_interaction_that_shows_is_kept_apart_and_said() -> None:
    said = _plain(report(_result("88 88.1", "70 70.1", "88 88.1", "90 90.1")))
    assert "was not pooled: p is below 0.0001, not above 0.25" in said
    assert "operator by part" in said


def test_a_variance_below_zero_is_marked() -> None:
    said = report(_result("88 88.1", "70 70.1", "88 88.1", "70 70.1"))
    assert "  operator *" in said
    assert "* the variance came out below zero and is taken as 0" in said


def test_more_parts_than_average_and_range_has_constants_for_leave_the_analysis_of_variance() -> None:
    cells = [f"{70 + n} {70.5 + n}" for n in range(11)] * 2
    result = _result(*cells, parts=11)
    said = _plain(report(result))
    assert "Average and range has constants for up to 10, not for 11 parts." in said
    assert "by analysis of variance the gauge can tell" in headline(result)
    assert "average and range" not in headline(result)


def test_a_ratio_is_never_printed_as_more_categories_than_it_counts() -> None:
    """Two operators who agree, 1 above and 1 below each part: the gauge has the variance 8/5, the parts (2·D² - 8/5)/4."""
    apart = Decimal(
        "3.9092"
    )  # so that 1.41 · √(28.9637 / 6.4) = 2.99955, which three decimals would still print as 3.00
    cells = ("79 81", f"{79 + apart} {81 + apart}")
    result = _result(*cells, *cells)
    assert result.by_variance.chosen.contributions.categories == 2
    assert "distinct categories: 2 (2.9995, truncated)" in report(result)
