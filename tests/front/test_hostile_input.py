"""Input that means harm: markup in every text that reaches a page, paths in names, giant, unseen and misleading letters, and
files that are made to be verified."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import resource
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from archive.store import Archive
from filmtally import main
from report.assessing import judge
from report.certificate import draft
from report.evidence import Evidence
from report.packing import MOST_UNPACKED, refuse_bombs
from report.page_look import page_look
from report.pdf import UnsignedPdf
from report.printed import page_texts
from report.verifying import verify
from report.web_page import web_page
from rules.verdict import Verdict
from schemas.customer import Customer
from schemas.errors import BadInput, FilmtallyError, IntegrityFailed
from schemas.letters import unfit
from tests.front.shop import GOOD, FrontDoor
from tests.report import scenario
from tests.report.made import drafted, identity, parts, signed, small


def _tagged(number: int) -> str:
    """Return a text that markup would turn into an element, and that can be told from every other."""
    return f"\"'/><img src=x onerror=f{number}()><script>&lt;{number}</script><!--"


# Markup in every text that a person gives


@cache
def _hostile() -> tuple[Evidence, dict[str, Any], list[str]]:
    """Return evidence with markup in every text that reaches a page, the facts of its issue, and all of those texts."""
    texts: list[str] = []

    def text() -> str:
        texts.append(_tagged(len(texts)))
        return texts[-1]

    shop = scenario.shop(name=text(), address=text(), contact=text())
    people = tuple(i.model_copy(update={"name": text(), "role": text()}) for i in shop.inspector)
    gauges = tuple(
        g.model_copy(update={"name": text(), "calibration_certificate": text(), "calibrated_by": text()})
        for g in shop.gauge
    )
    shop = shop.model_copy(update={"inspector": people, "gauge": gauges})
    words = (
        "title",
        "customer",
        "customer_address",
        "part_no",
        "part_revision",
        "substrate",
        "pretreatment",
        "powder",
        "specification",
    )
    places = [text(), "plain place"]
    job = scenario.job(places, **{word: text() for word in words}, rule={"name": "every-reading", "edition": text()})
    of = scenario.evidence(
        job,
        shop,
        inspection={
            "purchase_order": text(), "work_order": text(), "lot": text(),
            "notes_json": json.dumps([{"at": None, "by": "IDA", "what": text()}]),
            "other_lines_json": json.dumps([{"line_no": 3, "at": None, "source": "x", "text": text(), "why": text()}]),
        },
        reading={2: {"counted": False, "excluded_reason": text(), "excluded_by": "IDA"}, 3: {"piece": text()}},
        checks=[dataclasses.replace(c, note=None) for c in scenario.opening() + scenario.closing()]
        + [dataclasses.replace(scenario.opening()[0], check_id="C-9", kind="incident", occasion="drop", standard_id=None, note=text(),
                               certified_um=None, certified_u_um=None, standard_due=None, readings_um=[], mean_um=None, error_um=None,
                               tolerance_um=None, within=None)],
    )  # fmt: skip
    of = dataclasses.replace(
        of,
        readings=tuple(
            dataclasses.replace(r, powder=job.powder or "", powder_batch=texts[0], rack=texts[0], sprayer="OLE")
            for r in of.readings
        ),
        customer=Customer(name=job.customer, contact=text(), approvals=(text(), text()), statement=text()),
    )
    facts = {
        "deviation": text(), "deviation_by": "TOM", "packing_slip": text(), "supersedes": 1, "revision": 2, "superseded_why": text(),
    }  # fmt: skip
    return of, facts, texts


class _Elements(HTMLParser):
    """Every element and attribute of a page, as a browser's parser finds them, and its text."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.values: list[str] = []
        self.text: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.values += [value or "" for _, value in attrs]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


@cache
def _hostile_draft() -> Any:
    of, facts, _ = _hostile()
    return drafted(of, **facts)


def test_markup_is_text_on_the_page_and_no_element_of_it() -> None:
    _, _, texts = _hostile()
    innocent = _Elements(drafted(scenario.evidence(scenario.job(["Front face", "plain place"]))).html)
    found = _Elements(_hostile_draft().html)
    # What a plain certificate has, and the elements of blocks that only this one has.
    assert found.tags - innocent.tags <= {"ul", "li", "h3", "table", "thead", "tbody", "col", "colgroup"}
    assert not {"script", "img", "b", "iframe", "a", "object"} & found.tags
    assert not [name for name in found.attributes if name.startswith("on") or name in ("href", "src", "xlink:href")]
    whole = "".join(found.text)
    printed = [t for t in texts if t in whole]
    assert len(printed) >= len(texts) - 2, [
        t for t in texts if t not in whole
    ]  # a gauge's check note and batch stand elsewhere
    assert any(t in value for t in texts for value in found.values), (
        "none of them stands in an attribute; the test looks at nothing"
    )


def test_markup_is_printed_letter_by_letter_in_the_pdf() -> None:
    _, _, texts = _hostile()
    pages = "".join(page_texts(_hostile_draft().pdf.content))
    missing = [t for t in texts if "".join(t.split()) not in pages]
    assert len(missing) <= 2, missing
    with pikepdf.open(io.BytesIO(_hostile_draft().pdf.content)) as pdf:
        raw = b"".join(bytes(o.unparse()) for o in pdf.objects if not isinstance(o, pikepdf.Stream))
        assert b"/JavaScript" not in raw
        assert b"/URI" not in raw
        assert b"/Launch" not in raw


def test_the_hostile_certificate_is_signed_and_holds() -> None:
    of, _, _ = _hostile()
    name = of.shop.find_inspector(scenario.facts().signer).name
    found = verify(signed(_hostile_draft().pdf, name=name), {identity().key_sha256}, rebuild=True)
    assert [(p.name, p.sentence) for p in found.parts if p.verdict is Verdict.FAIL] == []


def test_the_copy_for_a_browser_runs_and_fetches_nothing() -> None:
    of, _, _ = _hostile()
    page = web_page(_hostile_draft().html, page_look(of))
    found = _Elements(page)
    assert not {"script", "img", "iframe", "a", "link", "object"} & found.tags
    assert not [name for name in found.attributes if name.startswith("on")]
    assert "default-src 'none'" in page
    assert page.index("Content-Security-Policy") < page.index("</head>")
    assert not [
        value
        for value in found.values
        if re.match(r"\s*(?:https?:|//|javascript:|file:)", value) and "www.w3.org" not in value
    ]


def test_a_document_with_markup_stays_one_document() -> None:
    of, facts, _ = _hostile()
    inside, _ = parts(of, **facts)
    assert json.loads(inside["certificate.json"])["job"]["customer"] == of.job.customer


# Paths


@pytest.mark.parametrize(
    "lot", ["../../escaped", "/etc/escaped", "..\\..\\escaped", "C:escaped", "con", "~/escaped", "$(touch escaped)"]
)
def test_a_lot_that_is_called_like_a_path_names_no_file(door: FrontDoor, lot: str) -> None:
    outside = {p for p in door.folder.parent.rglob("*") if not p.is_relative_to(door.folder)}
    door.verify_gauge("opening", "2026-11-03T09:00", read=(*GOOD, "--standard", "S-25=25.1,24.8,25.0"))
    capture = door.write("lot.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4)
    assert door.measure("hinge", capture, lot=lot).code == 0
    door.verify_gauge("closing", "2026-11-03T15:00")
    assert door("assess", "--plan", "hinge", "--lot", lot, "--lot-size", "5").code in (0, 1, 2)
    assert door("certify", lot, *door.signed_in(), "--html").code == 0
    now = {p for p in door.folder.parent.rglob("*") if not p.is_relative_to(door.folder)}
    assert now - outside == {Path(capture)}
    assert not [p for p in door.folder.rglob("*") if "escaped" in p.name]
    assert all(
        re.fullmatch(r"TLPW-[A-Z0-9-]+-r1\.(pdf|html)", p.name) for p in (door.folder / "certificates").iterdir()
    )


@pytest.mark.parametrize("name", ["../shop", "/etc/passwd", "..", "a/b", "hinge.toml/..", "hinge\x00", "", ".hidden"])
def test_a_job_that_is_called_like_a_path_is_no_job(door: FrontDoor, name: str) -> None:
    answer = door("measure", name, "--lot", "1", "--inspector", "mk", "--gauge", "FB-11", "--from", "x.txt")
    assert answer.code == 2
    assert answer.sentence


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("jobs/hinge.toml", 'drawing = "hinge.svg"', 'drawing = "../shop.toml"'),
        ("jobs/hinge.toml", 'drawing = "hinge.svg"', 'drawing = "/etc/passwd.svg"'),
        ("jobs/hinge.toml", 'drawing = "hinge.svg"', 'drawing = "..\\\\..\\\\x.svg"'),
        ("jobs/hinge.toml", 'drawing = "hinge.svg"', 'drawing = "a/../../x.svg"'),
        ("shop.toml", 'logo = "logo.svg"', 'logo = "../logo.svg"'),
        ("shop.toml", 'logo = "logo.svg"', 'logo = "//host/logo.png"'),
        ("shop.toml", 'code = "TLPW"', 'code = "../TL"'),
        ("shop.toml", 'serial = "FB-07"', 'serial = "../FB"'),
        ("shop.toml", 'code = "mk"', 'code = "../mk"'),
        ("shop.toml", 'time_zone = "Europe/Dublin"', 'time_zone = "../../../etc/passwd"'),
    ],
)
def test_a_name_in_a_file_that_leads_out_of_the_folder_is_refused(
    door: FrontDoor, file: str, old: str, new: str
) -> None:
    path = door.folder / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    answer = door(
        "measure",
        "hinge",
        "--lot",
        "1",
        "--inspector",
        "mk",
        "--gauge",
        "FB-11",
        "--dry-run",
        "--from",
        door.write("a.txt", b"88 um\n"),
    )
    assert answer.code == 2
    assert Path(file).name in answer.sentence


@pytest.mark.parametrize("words", [("identity", "../mk"), ("certify", "../x", "--signer", "mk"), ("measure", "--resume", "../x"), ("certify", "x", "--signer", "../mk"), ("new", "newshop", "--signer", "../x")])  # fmt: skip
def test_a_name_on_the_command_line_that_leads_out_is_refused(
    door: FrontDoor, words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    answer = door(*words)
    assert answer.code == 2
    assert answer.sentence


# Giant, unseen and misleading


UNFIT = {
    "override": "L-\u202e21",
    "isolate": "L-\u206612",
    "mark": "L-\u200f12",
    "zero width": "L-\u200b12",
    "joiner": "L-\u200d12",
    "byte order mark": "L-\ufeff12",
    "soft hyphen": "L\u00ad12",
    "tag letter": "L-\U000e004112",
    "combining": "L-e\u0301",
    "emoji": "L-\U0001f600",
    "hebrew": "L-\u05d0\u05d1",
    "Cyrillic among Latin": "PA\u0420T",
    "Greek among Latin": "P\u0391RT",
    "kelvin sign": "L-\u212a",
    "line end": "L-1\nL-2",
    "escape": "L-\x1b[31m",
    "line separator": "L-\u20281",
}


@pytest.mark.parametrize("text", UNFIT.values(), ids=UNFIT.keys())
def test_letters_that_a_reader_cannot_see_or_would_take_for_others_are_refused_where_they_enter(
    door: FrontDoor, text: str
) -> None:
    capture = door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4)
    given = [
        ("measure", "hinge", "--lot", text, "--inspector", "mk", "--gauge", "FB-11", "--from", capture),
        (
            "measure",
            "hinge",
            "--lot",
            "L-1",
            "--inspector",
            "mk",
            "--gauge",
            "FB-11",
            "--from",
            capture,
            "--purchase-order",
            text,
        ),
        (
            "measure",
            "hinge",
            "--lot",
            "L-1",
            "--inspector",
            "mk",
            "--gauge",
            "FB-11",
            "--from",
            capture,
            "--piece",
            text,
        ),
        (
            "measure",
            "hinge",
            "--lot",
            "L-1",
            "--inspector",
            "mk",
            "--gauge",
            "FB-11",
            "--from",
            capture,
            "--accept",
            f"1={text}",
        ),
        (
            "measure",
            "hinge",
            "--lot",
            "L-1",
            "--inspector",
            "mk",
            "--gauge",
            "FB-11",
            "--from",
            capture,
            "--again",
            text,
        ),
        ("assess", "--plan", "hinge", "--lot", text, "--lot-size", "5"),
    ]
    for words in given:
        answer = door(*words)
        assert (answer.code, len(answer.err.strip().splitlines())) == (2, 1), (words, answer)
        assert "Traceback" not in answer.err
        assert not set(text) & set("\u202e\u2066\u200b\x1b") & set(answer.err), "the sentence itself would mislead"
    assert Archive(door.folder / "archive", "look").inspections() == []


@pytest.mark.parametrize("text", [t for t in UNFIT.values() if "\n" not in t and "\x1b" not in t])
def test_a_file_of_the_shop_with_such_letters_is_refused_by_its_key(door: FrontDoor, text: str) -> None:
    job = door.folder / "jobs" / "hinge.toml"
    job.write_text(
        job.read_text(encoding="utf-8").replace('part_no = "HW-088"', f'part_no = "{text}"'), encoding="utf-8"
    )
    answer = door("measure", "hinge", "--lot", "1", "--inspector", "mk", "--gauge", "FB-11", "--from", "x.txt")
    assert answer.code == 2
    assert "hinge.toml: part_no is" in answer.sentence


@pytest.mark.parametrize("word", ["@note", "@exclude"])
@pytest.mark.parametrize("text", ["\u202egnol", "x" * 5000, "\U0001f600"])
def test_an_inspector_s_words_in_a_capture_are_held_to_the_same(door: FrontDoor, word: str, text: str) -> None:
    lines = b"88.0 um\n88.0 um\n" + f"{word} {text}\n".encode() + b"88.0 um\n" * 3 + b"32.0 um\n" * 4
    answer = door.measure("hinge", door.write("a.txt", lines))
    assert answer.code == 2
    assert "line 3" in answer.sentence
    assert "nothing was taken" in answer.sentence


@pytest.mark.parametrize("text", ["Żółć & Söhne", "Ω 12", "Завод № 4", "µm/20 ‰", "O'Neill – “A”", "Δt 5 °C"])
def test_what_people_write_is_taken(text: str) -> None:
    assert unfit(text) is None


FIELDS = ("--lot", "--purchase-order", "--work-order", "--rack", "--powder", "--powder-batch", "--sprayer", "--piece")


@pytest.mark.parametrize("option", FIELDS)
def test_ten_thousand_characters_are_refused_where_they_enter(door: FrontDoor, option: str) -> None:
    capture = door.write("a.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4)
    lot = () if option == "--lot" else ("--lot", "L-1")
    answer = door(
        "measure", "hinge", *lot, "--inspector", "mk", "--gauge", "FB-11", "--from", capture, option, "x" * 10_000
    )
    assert answer.code == 2
    assert "10000 characters" in answer.sentence
    assert len(answer.sentence) < 500


@pytest.mark.parametrize(
    ("file", "old"),
    [("jobs/hinge.toml", 'part_no = "HW-088"'), ("jobs/hinge.toml", 'name = "strap face"'), ("shop.toml", 'name = "Tannery Lane Powder Works"'), ("shop.toml", 'role = "quality inspector"')],
)  # fmt: skip
def test_ten_thousand_characters_in_a_file_are_refused_by_their_key(door: FrontDoor, file: str, old: str) -> None:
    path = door.folder / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, f'{old.split(" = ")[0]} = "{"x" * 10_000}"', 1), encoding="utf-8")
    answer = door("measure", "hinge", "--lot", "1", "--inspector", "mk", "--gauge", "FB-11", "--from", "x.txt")
    assert answer.code == 2
    assert "at most" in answer.sentence


def test_texts_of_the_longest_kind_are_printed_whole() -> None:
    """Two hundred letters without a blank in every field: each breaks over lines, and none is cut."""
    longest = "W" * 200
    of = scenario.evidence(
        scenario.job(
            ["M" * 60, "Front face"],
            title=longest,
            customer=longest,
            part_no=longest,
            substrate=longest,
            specification=longest,
        ),
        scenario.shop(name=longest, address=longest),
        inspection={"lot": longest, "purchase_order": longest},
    )
    of = dataclasses.replace(of, customer=Customer(name=longest, statement=longest, approvals=(longest, "Q" * 200)))
    made = drafted(of, deviation="D" * 1000, deviation_by="TOM", packing_slip=longest)
    found = verify(signed(made.pdf), {identity().key_sha256})
    assert [(p.name, p.sentence) for p in found.parts if p.verdict is Verdict.FAIL] == []
    assert "D" * 1000 in "".join(page_texts(made.pdf.content))


# Files that are made to be verified


@contextmanager
def _bounded(seconds: float = 60, megabytes: int = 3000) -> Iterator[None]:
    """Refuse a test whose body takes more of the processor than that; the memory is this process's growth at its highest."""
    before, began = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    yield
    assert time.process_time() - began < seconds
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024 < megabytes


def _refused(pdf: bytes) -> list[str]:
    """Return the sentences that refuse *pdf*; each is one line of a length that a person reads."""
    with _bounded():
        try:
            found = verify(pdf, {identity().key_sha256})
            sentences = [p.sentence for p in found.parts if p.verdict is Verdict.FAIL]
        except IntegrityFailed as wrong:
            sentences = [wrong.sentence]
    assert all(len(s.splitlines()) == 1 for s in sentences), sentences
    return sentences


@cache
def _one_place() -> tuple[dict[str, bytes], UnsignedPdf]:
    of = scenario.evidence(scenario.job(["Front face"]))
    return parts(of)[0], drafted(of).pdf


def _with_inside(**files: bytes) -> bytes:
    """Return a certificate with other files inside, signed by whoever made them."""
    inside, unsigned = _one_place()
    changed = inside | {name.replace("__", "."): content for name, content in files.items()}
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(unsigned.content)) as pdf:
        for spec in pdf.Root.AF:
            spec.EF.F.write(changed[str(spec.F)])
        pdf.save(out, object_stream_mode=pikepdf.ObjectStreamMode.disable, fix_metadata_version=False)
    return signed(UnsignedPdf(out.getvalue(), unsigned.pages, unsigned.place))


def _document() -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(_one_place()[0]["certificate.json"])
    return plain


def _at(plain: Any, path: tuple[str | int, ...], value: Any) -> Any:
    inner = plain
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    return plain


def _nested(levels: int) -> Any:
    inner: Any = 1
    for _ in range(levels):
        inner = [inner]
    return inner


def _laughs() -> Any:
    text: Any = "ha"
    for _ in range(60):
        text = {"template": "{a}{a}", "values": {"a": text}}
    return text


RAW = {
    "nothing": b"",
    "null": b"null",
    "a number": b"1",
    "no JSON": b"{",
    "no UTF-8": b"\xff\xfe\x00",
    "nested lists": b"[" * 200_000,
    "nested objects": b'{"a":' * 200_000,
    "a number of a million digits": b'{"schema":' + b"9" * 1_000_000 + b"}",
    "an endless exponent": b'{"schema": "filmtally certificate", "version": 1e999999}',
    "a version of NaN": b'{"schema": "filmtally certificate", "version": NaN}',
    "a giant text": b'"' + b"x" * 30_000_000 + b'"',
    "a hundred thousand keys": json.dumps({str(n): n for n in range(100_000)}).encode(),
}


@pytest.mark.parametrize("content", RAW.values(), ids=RAW.keys())
def test_a_document_that_is_none_is_refused_in_one_sentence(content: bytes) -> None:
    assert _refused(_with_inside(certificate__json=content)) != []


DEEP: dict[str, tuple[tuple[str | int, ...], Any]] = {
    "a thickness of a thousand million figures": (("readings", 0, "thickness_um"), "1E+999999999"),
    "a thickness as small": (("readings", 0, "thickness_um"), "1E-999999999"),
    "a thickness of a million digits": (("readings", 0, "thickness_um"), "1." + "0" * 1_000_000),
    "a limit in the job": (("job", "location", 0, "lower"), "1E+999999999"),
    "an area": (("job", "rule", "coated_area_m2"), "1E+999999999"),
    "a guard factor": (("job", "decision", "guard_factor"), "1E-999999999"),
    "a coverage": (("job", "decision", "coverage"), "0." + "9" * 1_000_000),
    "an age": (("shop", "verification", "max_age_hours"), "1E-999999999"),
    "a point": (("job", "location", 0, "point"), ["1E-999999999", "1E+999999999"]),
    "a number where a text belongs": (("job", "customer"), 7),
    "a list where a text belongs": (("readings", 0, "location"), ["Front face"]),
    "a text where a list belongs": (("readings",), "readings"),
    "an object where a list belongs": (("checks",), {"a": 1}),
    "nested": (("judged",), _nested(800)),
    "nested in what is stated": (("stated", "builds"), _nested(800)),
    "a time of another world": (("readings", 0, "taken_at"), "9999-12-31T23:59:59+00:00"),
    "no time": (("certificate", "issued_at"), "now"),
    "infinity": (("readings", 0, "reading_no"), float("inf")),
    "a true number": (("readings", 0, "reading_no"), True),
    "a negative number of pieces": (("certificate", "quantity"), -1),
    "ten million pieces": (("inspection", "pieces_measured"), 10**18),
    "a zone that is a path": (("shop", "time_zone"), "../../../../etc/passwd"),
    "a colour that is a style": (("shop", "certificate"), {"colour": "red}body{display:none"}),
    "an unknown key": (("job", "__class__"), "x"),
    "a location of a million letters": (("readings", 0, "location"), "x" * 1_000_000),
    "notes that are nested": (("inspection", "notes_json"), "[" * 100_000),
    "a text as verdict": (("judged", "verdict"), ["PASS"]),
    "an edition that is a list": (("edition",), ["x"]),
    "a drawing from elsewhere": (("drawing",), {"file": "/etc/passwd", "sha256": "00"}),
    "a drawing that is a list": (("drawing",), [1]),
    "a format that asks for more": (("series",), {"severity": "normal", "stopped": False, "changes": [{"template": "{a.__class__.__mro__}", "values": {"a": "x"}}]}),
    "a format that fills": (("series",), {"severity": "normal", "stopped": False, "changes": [{"template": "{a:>999999999}", "values": {"a": "x"}}]}),
    "a format that reads globals": (("series",), {"severity": "normal", "stopped": False, "changes": [{"template": "{a[0]}{a!r}", "values": {"a": "x"}}]}),
    "a text that doubles sixty times": (("series",), {"severity": "normal", "stopped": False, "changes": [_laughs()]}),
    "a text put in a million times": (("series",), {"severity": "normal", "stopped": False, "changes": [{"template": "{a}" * 300_000, "values": {"a": "x" * 300_000}}]}),
    "a format without its value": (("series",), {"severity": "normal", "stopped": False, "changes": [{"template": "{b}", "values": {"a": 1}}]}),
    "a sentence that is a number": (("series",), {"severity": "normal", "stopped": False, "changes": [7]}),
    "a severity that is none": (("series",), {"severity": "endless", "stopped": False, "changes": []}),
}  # fmt: skip


@pytest.mark.parametrize(("path", "value"), DEEP.values(), ids=DEEP.keys())
def test_a_document_with_something_hostile_in_it_is_refused_in_one_sentence(
    path: tuple[str | int, ...], value: Any
) -> None:
    document = _at(_document(), path, value)
    assert _refused(_with_inside(certificate__json=json.dumps(document).encode())) != []


WRONG: tuple[Any, ...] = (None, True, -1, 1.5, "", "x", [], {}, [[]], {"a": []})


def test_every_entry_of_a_document_with_every_wrong_type_is_told_and_never_raises() -> None:
    """Each leaf and branch up to three deep, in turn of ten wrong types; signed once, since only the reading is at stake."""
    from report.document import read_document

    def paths(plain: Any, so_far: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
        if so_far:
            yield so_far
        if len(so_far) < 3:
            entries = (
                plain.items() if isinstance(plain, dict) else enumerate(plain[:1]) if isinstance(plain, list) else ()
            )
            for key, inner in entries:
                yield from paths(inner, (*so_far, key))

    every = list(paths(_document()))
    assert len(every) > 200
    for number, path in enumerate(every):
        if path[0] == "stated":
            continue  # only compared
        for value in (WRONG[number % len(WRONG)], WRONG[(number + 5) % len(WRONG)]):
            content = json.dumps(_at(_document(), path, value)).encode()
            try:
                read = read_document(content, {})
                judge(read.evidence)
            except FilmtallyError:
                continue
            except (ValueError, KeyError, TypeError, ArithmeticError):
                continue  # verify tells these in its own sentence, see report.verifying._computed_again


@pytest.mark.parametrize("content", [b"", b"PAR1", b"PAR1" + b"\x00" * 100 + b"PAR1", b"x" * 1_000_000])
def test_a_table_that_is_none_is_refused_in_one_sentence(content: bytes) -> None:
    assert _refused(_with_inside(readings__parquet=content)) != []


def test_a_table_of_the_same_row_a_hundred_million_times_is_not_read() -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    out = io.BytesIO()
    pq.write_table(pa.table({"a": pa.nulls(100_000_000)}), out, compression="zstd")
    with _bounded(seconds=30, megabytes=800):
        assert _refused(_with_inside(readings__parquet=out.getvalue())) != []


@pytest.mark.parametrize("name", ["readings__csv", "gauge_checks__csv"])
def test_a_csv_that_is_none_is_refused(name: str) -> None:
    assert _refused(_with_inside(**{name: b'\xff"' * 1000})) != []


@cache
def _deflated(megabytes: int) -> bytes:
    packer = zlib.compressobj(9)
    piece = b"\x00" * 1_000_000
    return b"".join(packer.compress(piece) for _ in range(megabytes)) + packer.flush()


@cache
def _bomb(where: str) -> bytes:
    """Return a signed certificate of which a part unpacks to 600 MB."""
    _, unsigned = _one_place()
    packed = _deflated(600)
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(unsigned.content)) as pdf:
        if where == "attachment":
            pdf.Root.AF[0].EF.F.write(packed, filter=pikepdf.Name.FlateDecode)
        elif where == "page":
            pdf.pages[0].obj.Contents = pdf.make_stream(b"")
            pdf.pages[0].obj.Contents.write(packed, filter=pikepdf.Name.FlateDecode)
        elif where == "letters of a font":
            font = next(iter(pdf.pages[0].Resources.Font.values()))
            font.ToUnicode.write(packed, filter=pikepdf.Name.FlateDecode)
        else:
            twice = zlib.compress(packed)
            filters = pikepdf.Array([pikepdf.Name.FlateDecode, pikepdf.Name.FlateDecode])
            pdf.Root.AF[0].EF.F.write(twice, filter=filters)
        pdf.save(
            out, object_stream_mode=pikepdf.ObjectStreamMode.disable, fix_metadata_version=False,
            compress_streams=False, stream_decode_level=pikepdf.StreamDecodeLevel.none,
        )  # fmt: skip
    return signed(UnsignedPdf(out.getvalue(), unsigned.pages, unsigned.place))


@pytest.mark.parametrize("where", ["attachment", "page", "letters of a font", "packed twice"])
def test_a_part_that_unpacks_to_six_hundred_megabytes_is_not_unpacked(where: str) -> None:
    bomb = _bomb(where)
    assert len(bomb) < 1_500_000
    with _bounded(seconds=30, megabytes=600), pytest.raises(IntegrityFailed) as refused:
        verify(bomb, {identity().key_sha256})
    assert re.search("unpacks to more|packed as none", refused.value.sentence)


@pytest.mark.parametrize(
    "packing",
    [b"/Filter /LZWDecode", b"/Filter[/FlateDecode/FlateDecode]", b"/Filter 12 0 R", b"/F#69lter /L#5aWDecode", b"/Filter [ /ASCII85Decode /FlateDecode ]", b"/F /RunLengthDecode"],
)  # fmt: skip
def test_a_packing_that_no_certificate_has_is_refused_by_the_bytes(packing: bytes) -> None:
    with pytest.raises(IntegrityFailed, match="packed as none"):
        refuse_bombs(small() + b"\n99 0 obj <<" + packing + b">>")


def test_what_certificates_hold_is_far_under_the_limit() -> None:
    refuse_bombs(small())
    assert MOST_UNPACKED >= 200_000_000


def _structure(change: Callable[[pikepdf.Pdf], None]) -> bytes:
    _, unsigned = _one_place()
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(unsigned.content)) as pdf:
        change(pdf)
        pdf.save(out, object_stream_mode=pikepdf.ObjectStreamMode.disable, fix_metadata_version=False)
    return out.getvalue()


def _pages_in_a_ring(pdf: pikepdf.Pdf) -> None:
    pdf.Root.Pages.Kids.append(pdf.Root.Pages)


def _names_in_a_ring(pdf: pikepdf.Pdf) -> None:
    ring = pdf.make_indirect(pikepdf.Dictionary())
    ring.Kids = pikepdf.Array([ring])
    pdf.Root.Names.EmbeddedFiles = ring


def _fields_in_a_ring(pdf: pikepdf.Pdf) -> None:
    field = pdf.Root.AcroForm.Fields[0]
    field.Kids = pikepdf.Array([field])


def _parent_of_itself(pdf: pikepdf.Pdf) -> None:
    pdf.pages[0].obj.Parent = pdf.pages[0].obj


def _tags_in_a_ring(pdf: pikepdf.Pdf) -> None:
    pdf.Root.StructTreeRoot.K = pdf.Root.StructTreeRoot


def _deep(pdf: pikepdf.Pdf) -> None:
    inner = pikepdf.Array([1])
    for _ in range(400):
        inner = pikepdf.Array([inner])
    pdf.Root.PieceInfo = inner


RINGS = {f.__name__.strip("_"): f for f in (_pages_in_a_ring, _names_in_a_ring, _fields_in_a_ring, _parent_of_itself, _tags_in_a_ring, _deep)}  # fmt: skip


@pytest.mark.parametrize("change", RINGS.values(), ids=RINGS.keys())
def test_objects_that_go_round_in_a_ring_end_in_an_answer(change: Callable[[pikepdf.Pdf], None]) -> None:
    content = _structure(change)
    try:
        content = signed(UnsignedPdf(content, _one_place()[1].pages, _one_place()[1].place))
    except Exception:
        content = small() + content  # nobody can sign it; then it is looked at behind a good one
    with _bounded(seconds=30):
        _refused(content)


def test_cross_references_that_go_round_in_a_ring_end_in_an_answer() -> None:
    good = small()
    start = int(re.findall(rb"startxref\s+(\d+)", good)[-1])
    ring = re.sub(rb"/Prev \d+", b"/Prev %d" % start, good)
    endless = good + b"\nxref\n0 0\ntrailer <</Size 1 /Root 1 0 R /Prev %d>>\nstartxref\n%d\n%%%%EOF\n" % (
        len(good) + 1,
        len(good) + 1,
    )
    for pdf in (ring, endless):
        assert _refused(pdf) != []


def test_an_encrypted_file_is_refused() -> None:
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(small())) as pdf:
        pdf.save(out, encryption=pikepdf.Encryption(owner="o", user="", R=6))
    assert _refused(out.getvalue()) != []


def test_two_hundred_megabytes_are_refused_at_once() -> None:
    giant = small() + b"\x00" * 200_000_000
    with _bounded(seconds=10, megabytes=900):
        assert "bytes, which no certificate has" in _refused(giant)[0]


def test_thousands_of_parts_that_never_end_are_looked_at_once() -> None:
    """With a megabyte read for each, these would be 300 GB."""
    with _bounded(seconds=40):
        assert _refused(small() + b"stream\nx\x9c" * 300_000) != []


def test_verify_of_such_files_through_the_front_door_is_one_line_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    files = {
        "bomb.pdf": _bomb("attachment"),
        "nested.pdf": _with_inside(certificate__json=b"[" * 200_000),
        "nothing.pdf": b"",
        "text.pdf": b"%PDF-1.7\n" + b"hello" * 100,
    }
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    assert main(["verify", *files]) == 4
    said = capsys.readouterr()
    assert len(said.err.splitlines()) == len(files)
    assert "Traceback" not in said.err


def test_a_decimal_of_a_thousand_million_figures_never_reaches_the_rules() -> None:
    with pytest.raises(BadInput, match="coated_area_m2"):
        scenario.job(["Front face"], rule={"name": "sspc-pa2", "coated_area_m2": Decimal("1E+999999999")})


def test_a_draft_of_the_same_is_no_less_careful() -> None:
    of, facts, _ = _hostile()
    made = draft(of, judge(of), scenario.facts(key_sha256="", **facts), is_draft=True)
    assert "Draft: not signed" in made.html
    assert not {"script", "img", "iframe"} & _Elements(made.html).tags
