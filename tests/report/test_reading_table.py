"""Another party's table: what is read, and what is asked for instead of guessed."""

from __future__ import annotations

from decimal import Decimal

import pytest

from report.reading_table import ReadTable, TableTerms, read_table
from report.told_amounts import accuracy, thickness_um
from rules.party_readings import Accuracy
from schemas.errors import BadInput
from schemas.units import Unit


def _read(text: str, terms: TableTerms | None = None) -> ReadTable:
    return read_table(text.encode(), "theirs.csv", terms)


def _refused(text: str, terms: TableTerms | None = None) -> str:
    with pytest.raises(BadInput) as wrong:
        _read(text, terms)
    assert wrong.value.sentence.startswith("theirs.csv: ")
    assert "\n" not in wrong.value.sentence
    return wrong.value.sentence


def test_every_column_is_read() -> None:
    table = _read("piece;Location;spot;reading;unit;n;u;base;remark\n1;front  face;2;3,25;mil;5;0,06;0,4;gloss\n")
    (reading,) = table.readings
    assert reading.location == "front face"
    assert (reading.piece, reading.spot, reading.readings) == ("1", 2, 5)
    assert reading.thickness_um == Decimal("82.55")  # 3.25 · 25.4
    assert (reading.step_um, reading.expanded_um, reading.base_um) == (
        Decimal("0.254"),
        Decimal("1.524"),
        Decimal("10.16"),
    )
    assert table.unit_recorded


@pytest.mark.parametrize(
    "text",
    [
        "location,reading_um\nfront,82.5\n",
        "place\tthickness [µm]\nfront\t82.5\n",
        "Location;DFT (microns)\nfront;82,5\n",
        'location,film build um\nfront,"82,5"\n',
        "location;reading;unit\r\n\r\nfront;82,5;µm\r\n",
    ],
)
def test_separators_marks_and_units_that_leave_no_doubt(text: str) -> None:
    (reading,) = _read(text).readings
    assert (reading.thickness_um, reading.unit, reading.location) == (Decimal("82.5"), Unit.UM, "front")


@pytest.mark.parametrize("separator", [";", ",", "\t"])
@pytest.mark.parametrize("form", ["sep={}\n", "SEP={}\r\n", '"sep={}"\n', "\n\ufeffsep={};;\n"])
def test_a_spreadsheets_line_that_names_the_separator_is_understood(form: str, separator: str) -> None:
    text = form.format(separator).replace("\n\ufeff", "\ufeff") + "location;reading;unit\nfront;82;um\n".replace(
        ";", separator
    )
    (reading,) = _read(text).readings
    assert (reading.location, reading.thickness_um) == ("front", Decimal(82))


def test_a_spreadsheets_utf_16_and_a_byte_order_mark_are_read() -> None:
    text = "location\treading_um\nüst\t82.5\n"
    assert read_table(text.encode("utf-16"), "theirs.csv").readings[0].location == "üst"
    assert read_table(b"\xef\xbb\xbf" + text.encode(), "theirs.csv").readings[0].location == "üst"
    assert read_table(text.encode("latin-1"), "theirs.csv").readings[0].location == "üst"


def test_the_unit_is_asked_for_where_nothing_names_it() -> None:
    assert "say it with --unit um or --unit mil" in _refused("location;reading\nfront;82.5\n")
    table = _read("location;reading\nfront;3.2\n", TableTerms(unit=Unit.MIL))
    assert table.readings[0].thickness_um == Decimal("81.28")
    assert not table.unit_recorded


def test_an_option_that_contradicts_the_table_is_refused() -> None:
    assert "--unit says mil and the table says um" in _refused(
        "location;reading_um\nfront;82.5\n", TableTerms(unit=Unit.MIL)
    )
    assert "the line says mil" in _refused("location;reading_um;unit\nfront;82.5;mil\n")


def test_a_comma_before_three_digits_is_asked_about() -> None:
    text = "location;reading;unit\nfront;3,125;mil\n"
    assert "may be a decimal or in thousands" in _refused(text)
    assert _read(text, TableTerms(decimal_mark=",")).readings[0].thickness_um == Decimal("79.375")
    assert "has another decimal mark than --decimal-mark says" in _refused(text, TableTerms(decimal_mark="."))
    # One figure with another number of decimals leaves no doubt.
    assert len(_read(text + "back;3,1;mil\n").readings) == 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "its first line names no columns"),
        ("82.5\n83.1\n", "its first line names no columns"),
        ("location;reading;unit\n", "a header and no reading"),
        ("location;unit\nfront;um\n", "there is no column 'reading'"),
        ("where;reading;unit\nfront;1;um\n", "--column location=NAME"),
        ("location;place;reading;unit\na;b;1;um\n", "may both be the location"),
        ("location,reading,unit\nfront,82,5,um\n", "has 4 cells and the header has 3"),
        ("location;reading;unit\nfront;8.2,5;um\n", "has a point and a comma"),
        ("location;reading;unit\nfront;82,5;um\nback;82.5;um\n", "have different decimal marks"),
        ("location;reading;unit\nfront;thin;um\n", "'thin' in column reading is not a number"),
        ("location;reading;unit\nfront;NaN;um\n", "is not a number"),
        ("location;reading;unit\nfront;1e5;um\n", "is not a number"),
        ("location;reading;unit\nfront;;um\n", "is not a number"),
        ("location;reading;unit\n;80;um\n", "line 2: the location is not named"),
        ("location;reading;unit\nfront;80;inch\n", "unknown unit 'inch'"),
        ("location;reading;unit\nfront;5000000;um\n", "is no film build"),
        ("location;reading;unit\nfront;80;um\nback;-3,5;um\n", "line 3: -3,5 in column reading is below zero"),
        ("sep=|\nlocation|reading|unit\nfront|80|um\n", "line 1 says that '|' separates the columns"),
        ("sep=;\nlocation;reading;unit\nfront;thin;um\n", "line 3: 'thin'"),
        ("location;reading;unit;u\nfront;80;um;0\n", "an uncertainty is above zero"),
        ("location;reading;unit;n\nfront;80;um;0\n", "is not a whole number above zero"),
        ("location;reading;unit;spot\nfront;80;um;a\n", "is not a whole number above zero"),
        ("location;reading;unit\n\u202efront;80;um\n", "is no name of a location"),
        (f"location;reading;unit\n{'f' * 61};80;um\n", "is no name of a location"),
        ('location;reading;unit\n"front;80;um\n', "is no table"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(text: str, said: str) -> None:
    assert said in _refused(text)


def test_binary_files_and_huge_ones_are_refused() -> None:
    for content in (b"\x7fELF\x00\x01", b"location;reading\x00;unit\nfront;1;um\n"):
        with pytest.raises(BadInput, match="is not text"):
            read_table(content, "theirs.csv")
    with pytest.raises(BadInput, match="which no list of readings has"):
        read_table(b"a" * 20_000_001, "theirs.csv")


def test_columns_of_other_names_are_named_by_option_with_or_without_their_unit() -> None:
    text = "Messstelle;Dicke [um]\nvorne;82,5\n"
    for called in ("Dicke", "dicke [UM]"):
        table = _read(text, TableTerms(columns={"location": "messstelle", "reading": called}))
        assert table.readings[0].thickness_um == Decimal("82.5")
    assert "the table's columns are Messstelle, Dicke [um]" in _refused(text, TableTerms(columns={"location": "Ort"}))


def test_amounts_are_read_with_their_unit() -> None:
    assert thickness_um("1.5 um", "--their-u") == Decimal("1.5")
    assert thickness_um("0,06mil", "--their-u") == Decimal("1.524")
    assert accuracy("1 um + 1 %") == accuracy("± 1 um+1%") == Accuracy(Decimal(1), Decimal(1))
    assert accuracy("2 %") == Accuracy(Decimal(0), Decimal(2))
    assert accuracy("0.04 mil") == Accuracy(Decimal("1.016"), Decimal(0))


@pytest.mark.parametrize("text", ["", "1", "um", "1 inch", "-1 um", "1 um 2", "1.5.5 um"])
def test_an_amount_without_sense_is_refused(text: str) -> None:
    with pytest.raises(BadInput, match="--their-u"):
        thickness_um(text, "--their-u")


@pytest.mark.parametrize("text", ["", "1", "1 um + 1 um", "1 % + 2 %", "0 um + 0 %", "1 um - 1 %", "abc"])
def test_an_accuracy_without_sense_is_refused(text: str) -> None:
    with pytest.raises(BadInput, match="--their-accuracy"):
        accuracy(text)
