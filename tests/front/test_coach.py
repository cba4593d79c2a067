"""What coach says: one change where a pattern was put into a rack, and none where the gauge alone explains it."""

from __future__ import annotations

import json
from datetime import timedelta
from html.parser import HTMLParser
from typing import Any

import pytest

from tests.front.racks import Pattern, all_high, builds, even, face_up, hang, open_gauge, thick_fit, thin_top
from tests.front.shop import GOOD, FrontDoor

DRIFTED = ("--standard", "Z-0=0.2,0.1,0.3", "--standard", "S-50=56.9,56.3,56.0", "--standard", "S-130=142.2,142.9,142.5", "--standard", "S-255=266.0,265.1,266.4")  # fmt: skip


def _asked(door: FrontDoor, *words: str, code: int = 0) -> dict[str, Any]:
    answer = door("coach", *words, "--json")
    assert answer.code == code, answer
    found: dict[str, Any] = json.loads(answer.out)
    return found


@pytest.mark.parametrize(
    ("pattern", "change", "begins"),
    [
        pytest.param(
            thick_fit, "location", "At knuckle, running fit, pass over it one stroke fewer", id="one location"
        ),
        pytest.param(thin_top, "position", "At top row (place on the rack), let the strokes run", id="top of the rack"),
        pytest.param(all_high, "level", "Over the whole part, move the gun a little faster", id="whole mean"),
        pytest.param(even, "nothing", "Nothing to change: every location", id="nothing wrong"),
    ],
)
def test_a_pattern_gives_its_one_suggestion(door: FrontDoor, pattern: Pattern, change: str, begins: str) -> None:
    open_gauge(door)
    hang(door, pattern)
    found = _asked(door)
    assert found["suggestion"]["change"] == change
    assert found["suggestion"]["sentence"].startswith(begins)
    assert (found["readings"], found["pieces"], found["rack"], found["unit"]) == (64, 8, "R3", "um")
    assert bool(found["suggestion"]["cautions"]) == (change != "nothing")
    assert door("coach").out.splitlines()[0].startswith(begins[:40])


def test_a_thin_place_asks_for_the_ground_first(door: FrontDoor) -> None:
    open_gauge(door)
    hang(door, thin_top)
    assert _asked(door)["suggestion"]["first"].startswith("First look at the ground")


def test_what_the_gauge_alone_explains_is_not_suggested(door: FrontDoor) -> None:
    open_gauge(door)
    hang(
        door, even, shift=13.0
    )  # the mean of the strap face lies 0.5 µm above its band, the gauge alone may bring 2 µm
    found = _asked(door, "--location", "strap face")
    (face,) = found["locations"]
    assert not any("Left out" in note for note in found["notes"])
    assert 0 < face["off"] < face["gauge_expanded"]
    assert face["mean"]["low"] > 99
    assert not face["off_firmly"]
    assert found["suggestion"]["change"] == "unclear"
    assert found["suggestion"]["sentence"].startswith("Change nothing yet")


def test_too_few_readings_say_nothing(door: FrontDoor) -> None:
    open_gauge(door)
    hang(door, all_high, places=("top row",), pieces=2)
    found = _asked(door)
    assert found["suggestion"]["change"] == "too_few"
    assert all(one["mean"] is None and one["few"] for one in found["locations"])


def test_a_gauge_that_failed_is_said_first_and_nothing_is_suggested(door: FrontDoor) -> None:
    open_gauge(door)
    hang(door, all_high)
    door.verify_gauge("closing", "2026-11-03T15:00", read=DRIFTED)
    found = _asked(door, code=3)
    assert found["gauge"]["state"] == "suspect"
    assert found["suggestion"]["change"] is None
    assert found["suggestion"]["sentence"].startswith("The gauge comes first: its readings are suspect.")
    assert door("coach").out.startswith("The gauge comes first")


def test_a_gauge_that_was_never_verified_suggests_nothing(door: FrontDoor) -> None:
    hang(door, all_high)
    found = _asked(door, code=3)
    assert (found["gauge"]["state"], found["suggestion"]["change"]) == ("uncovered", None)


@pytest.mark.parametrize("read", [GOOD, DRIFTED], ids=["passed", "failed"])
def test_the_last_check_is_named_as_assess_names_it_however_long_ago(door: FrontDoor, read: tuple[str, ...]) -> None:
    door.verify_gauge("opening", "2026-06-01T07:00", read=GOOD)
    door.verify_gauge("opening", "2026-08-01T07:00", read=read)
    (inspection,) = hang(door, all_high, places=("top row",))
    gate = _asked(door, inspection, code=3)["gauge"]["sentence"]
    assert "no check on record" not in gate
    assert gate in " ".join(door("assess", inspection).out.split())


def test_the_rack_is_compared_with_earlier_ones_like_it(door: FrontDoor) -> None:
    open_gauge(door)
    for number in range(6):
        hang(door, even, number, shift=0.1 * (number % 3))
    hang(door, even, 6, places=("top row",))  # other places: not like the rack in hand
    hang(door, face_up, 7)  # in its bands, and higher than any before
    found = _asked(door)
    assert found["earlier_racks"] == 6
    assert "Left out: 1 earlier rack, other places on the rack." in found["notes"]
    assert found["suggestion"]["change"] == "look"
    face = found["locations"][0]
    assert face["earlier"]["racks"] == 6
    assert face["earlier"]["difference"]["value"] == pytest.approx(7.9)
    assert face["level_signals"]
    assert not any("Cpk 1" in sentence for sentence in face["sentences"])

    page = door.folder / "coach.html"
    answer = door("coach", "H-7", "--html", str(page))
    assert answer.code == 0
    text = page.read_text(encoding="utf-8")
    assert "default-src 'none'" in text
    assert "What I changed:" in text
    assert "Means of racks, and their moving ranges" in text
    assert "Deviation from target" in text
    assert "<script" not in text
    assert not _outside(text)
    assert found["suggestion"]["sentence"] in text

    period = _asked(door, "--part", "HW-088", "--from", "2026-11-03", "--to", "2026-11-03")
    assert period["period"] == "from 2026-11-03 to 2026-11-03"
    assert period["earlier_racks"] == 6
    assert [one["n"] for one in period["over_period"]] == [7 * 32, 7 * 32]
    assert _asked(door, "--rack", "R3")["lot"] == "H-7"
    assert _asked(door, "H-2")["earlier_racks"] == 2
    assert door("coach", "--part", "HW-088", "--to", "2026-11-02").code == 2


def test_the_newest_is_the_one_that_was_sealed_last_whenever_it_was_begun(door: FrontDoor) -> None:
    open_gauge(door)
    (first,) = hang(door, even, 1, places=("top row",))
    (second,) = hang(door, even, 2, places=("top row",))
    assert _asked(door)["inspections"] == [second]
    door.now += timedelta(minutes=5)
    amended = door("amend", first, "--set", "lot=H-2", "--by", "mk", "--why", "wrong lot")
    assert amended.code == 0, amended
    assert json.loads(door("history", "--json").out)[-1]["inspection_id"] == first
    for words in ((), ("--rack", "R3"), ("H-2",)):
        assert first in _asked(door, *words)["inspections"], words


def test_powder_is_a_range_and_inside_the_band_no_fault(door: FrontDoor) -> None:
    open_gauge(door)
    hang(door, even, shift=3.0)
    words = ("--specific-gravity", "1.5", "--area", "12")
    found = _asked(door, *words)["powder_above_need"]
    # kg on 12 m²: film above need, mean over both locations, in µm, times the density in g/cm³, over the share that stays.
    film = found["film"]
    assert film == pytest.approx(3.0, abs=0.1)
    assert found["least"] == pytest.approx(12 * 1.5 * film / 1000 / 0.85, rel=1e-3)
    assert found["most"] == pytest.approx(12 * 1.5 * film / 1000 / 0.50, rel=1e-3)
    assert any("not the shop's own" in sentence for sentence in found["assumptions"])
    assert any("no fault of the spraying" in sentence for sentence in found["sentences"])
    own = _asked(door, *words, "--transfer-efficiency", "60-70")["powder_above_need"]
    assert own["most"] == pytest.approx(12 * 1.5 * film / 1000 / 0.60, rel=1e-3)
    assert any("as the shop states it" in sentence for sentence in own["assumptions"])


def test_no_line_is_wider_than_the_terminal(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    open_gauge(door)
    hang(door, thin_top)
    lines = door("coach", "--specific-gravity", "1.5").out.splitlines()
    assert max(map(len, lines)) <= 80


def test_measure_says_it_as_soon_as_the_rack_is_sealed(door: FrontDoor) -> None:
    open_gauge(door)
    lines = "".join(f"{build} um\n" for _, _, build in builds(all_high, "top row"))
    words = ("--pieces", "4", "--rack", "R3", "--rack-position", "top row")
    answer = door.measure("hinge", door.write("H.txt", lines.encode()), *words, "--coach")
    assert answer.code == 0, answer
    *_, sealed, coaching = answer.out.splitlines()
    number = sealed.split()[1].rstrip(":")
    assert coaching.startswith("coaching: Over the whole part, move the gun a little faster")
    assert coaching.endswith(f"See 'filmtally coach {number}'.")


def test_an_answer_in_json_stays_one_document(door: FrontDoor) -> None:
    open_gauge(door)
    lines = "".join(f"{build} um\n" for _, _, build in builds(even, "top row", 1))
    answer = door.measure("hinge", door.write("H.txt", lines.encode()), "--coach", "--json")
    assert json.loads(answer.out)["sealed"]
    assert "Nothing is said yet" in door("coach").out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--from", "2026-11-01"), "--from asks about a period of one part; say --part NUMBER with it"),
        (("--part", "X-1", "--from", "soon"), "--from 'soon' is no day; write it as 2026-01-31"),
        (
            ("--part", "X-1", "--from", "2026-11-05", "--to", "2026-11-04"),
            "--from 2026-11-05 is later than --to 2026-11-04",
        ),
        (("L-1", "--rack", "R3"), "INSPECTION and --rack each say what to look at; name one of them"),
        (("--area", "-3"), "--area '-3': write a number above zero, as 1.5"),
        (("--area", "1e999999999"), "--area '1e999999999': write a number above zero, as 1.5"),
        (("--transfer-efficiency", "70-55"), "--transfer-efficiency '70-55': write the lower and the higher share"),
        (("--transfer-efficiency", "80-120"), "--transfer-efficiency '80-120': write the lower and the higher share"),
        ((), "there is no sealed inspection to coach from; measure a rack first"),
        (("nothing",), "there is no sealed inspection 'nothing'"),
        (("--part", "X-1"), "part 'X-1': no rack of it was measured in that time"),
    ],
)
def test_bad_words_are_one_sentence(door: FrontDoor, words: tuple[str, ...], sentence: str) -> None:
    answer = door("coach", *words)
    assert answer.code == 2
    assert answer.sentence.startswith(f"filmtally: {sentence}")


def test_a_location_or_a_file_that_cannot_be_is_one_sentence(door: FrontDoor) -> None:
    open_gauge(door)
    hang(door, even)
    assert "has no such location; it has: strap face" in door("coach", "--location", "nowhere").sentence
    assert "let the name end in .html" in door("coach", "--html", str(door.folder / "coach.txt")).sentence
    (door.folder / "mine.html").write_text("mine", encoding="utf-8")
    assert "say --replace" in door("coach", "--html", str(door.folder / "mine.html")).sentence
    assert (door.folder / "mine.html").read_text(encoding="utf-8") == "mine"
    assert "no rack 'R9'" in door("coach", "--rack", "R9").sentence


def _outside(page: str) -> list[str]:
    """Return every address that a page would fetch."""
    found: list[str] = []

    class Looking(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            found.extend(
                value
                for name, value in attrs
                if name in ("src", "href") and value and not value.startswith(("#", "data:"))
            )

    Looking().feed(page)
    return found
