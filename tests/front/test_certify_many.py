"""Many certificates from one command: by name, from a list, all at once; what fails is named and the rest is issued."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import time
from pathlib import Path

import pytest

from archive.store import Archive
from report import batches, issuing
from report.printed import page_texts
from tests.front.many_lots import begin, copied, faults, orphans, shop_of_lots
from tests.front.shop import NOW, FrontDoor

LOTS = 5


@pytest.fixture(scope="module")
def uncertified(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shop_of_lots(tmp_path_factory.mktemp("lots") / "shop", LOTS)


@pytest.fixture
def door(
    uncertified: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> FrontDoor:
    """The front door to a copy of the shop, none of whose lots is certified."""
    monkeypatch.delenv("FILMTALLY_PASSPHRASE", raising=False)
    monkeypatch.delenv("FILMTALLY_SHOP", raising=False)
    return FrontDoor(copied(uncertified, tmp_path / "shop"), capsys)


def _signed(door: FrontDoor) -> tuple[str, ...]:
    return ("--signer", "mk", "--passphrase-file", str(door.folder / "passphrase.txt"))


def _register(folder: Path) -> Archive:
    return Archive(folder / "archive", "look")


def _pdfs(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / "certificates").glob("*"))


def _assert_each_once(folder: Path) -> None:
    """Every inspection has one certificate in the register and one PDF with its bytes, and the archive is whole."""
    assert faults(folder, complete=True) == []
    assert len(_register(folder).certificates()) == LOTS


# What is asked for


def test_lots_by_name_are_issued_with_progress_and_asked_again_nothing_is_done(door: FrontDoor) -> None:
    answer = door("certify", "L-0", "L-3", *_signed(door), "--workers", "2", "--html")
    assert (answer.code, answer.err) == (0, "")
    lines = answer.out.splitlines()
    assert [line.split()[0] for line in lines] == ["1/2", "2/2", "2"]
    assert lines[-1] == "2 issued, 0 had one before, 0 not certified"
    assert {e.lot for e in _register(door.folder).certificates()} == {"L-0", "L-3"}
    assert sorted(name.rpartition(".")[2] for name in _pdfs(door.folder)) == ["html", "html", "pdf", "pdf"]
    before = _pdfs(door.folder)
    again = door("certify", "L-0", "L-3", *_signed(door))
    assert again.code == 0
    assert again.out.splitlines()[-1] == "0 issued, 2 had one before, 0 not certified"
    assert "revision 1 was issued before" in again.out
    assert _pdfs(door.folder) == before


def test_a_reason_issues_new_revisions_and_the_same_command_again_does_not(door: FrontDoor) -> None:
    words = ("certify", "L-0", "L-1", *_signed(door), "--workers", "1")
    first = door(*words, "--why", "the address was wrong")
    assert first.code == 2
    assert first.err.count("it has no certificate yet that a new revision could supersede") == 2
    assert door(*words).code == 0
    assert door(*words, "--why", "the address was wrong").code == 0
    again = door(*words, "--why", "the address was wrong")
    assert again.out.splitlines()[-1] == "0 issued, 2 had one before, 0 not certified"
    entries = _register(door.folder).certificates()
    assert sorted((e.lot, e.revision) for e in entries) == [("L-0", 1), ("L-0", 2), ("L-1", 1), ("L-1", 2)]


def test_of_many_those_that_cannot_be_certified_are_named_and_the_exit_code_is_the_worst(door: FrontDoor) -> None:
    door.now = NOW.replace(hour=13)
    door.measure(
        "hinge", door.write("open.txt", b"88.0 um\n" * 4 + b"32.0 um\n" * 4), "--again", "another lot", lot="open"
    )
    late = door.measure(
        "hinge",
        door.write("late.txt", b"88.0 um\n" * 4 + b"55.0 um\n" * 4),
        "--measured-at",
        "2026-11-05T10:00",
        lot="late",
    )
    assert late.code == 0, late
    answer = door("certify", "L-0", "late", "L-1", *_signed(door), "--workers", "2", "--json")
    assert answer.code == 3
    (line,) = answer.err.splitlines()
    assert line.startswith("filmtally: 1/3 inspection ")
    assert "is not certified" in line
    found = json.loads(answer.out)
    assert [next(k for k in one if k != "inspection_id") for one in found] == ["issued", "refused", "issued"]
    assert found[1]["refused"] in line
    assert found[0]["issued"]["verdict"] == "PASS"
    assert len(_register(door.folder).certificates()) == 2


def test_all_takes_what_has_none_and_is_content_where_nothing_is_left(door: FrontDoor) -> None:
    assert door("certify", "L-2", *_signed(door)).code == 0
    answer = door("certify", "--all", *_signed(door), "--workers", "2")
    assert answer.out.splitlines()[-1] == f"{LOTS - 1} issued, 0 had one before, 0 not certified"
    _assert_each_once(door.folder)
    assert door("archive", "check").code == 0
    answer = door("certify", "--all", "--signer", "mk", "--passphrase-file", "not asked for")
    assert (answer.code, answer.out) == (0, "every sealed inspection has its certificate\n")
    assert door("certify", "--all", "--signer", "mk", "--json").out == "[]\n"


def test_a_list_says_what_goes_with_each(door: FrontDoor) -> None:
    rows = '\ufeffinspection;packing_slip;quantity;received\r\nL-0;LS 12;1;2026-11-02\r\n;;;\r\n"L-1";"LS; 13";;\r\n'
    listed = door.write("list.csv", rows.encode())
    answer = door("certify", "--list", listed, *_signed(door), "--workers", "1", "--packing-slip", "LS 99", "--json")
    assert answer.code == 0, answer
    pages = ["".join(page_texts(Path(one["issued"]["pdf"]).read_bytes())) for one in json.loads(answer.out)]
    assert "LS12" in pages[0]
    assert "2026-11-02" in pages[0]
    assert "LS;13" in pages[1]
    assert "LS99" not in "".join(pages)


@pytest.mark.parametrize(
    ("rows", "parts"),
    [
        pytest.param("", ("line 1: the columns are inspection, packing_slip, quantity, received, why",), id="empty"),
        pytest.param("lot,packing_slip\nL-0,1\n", ("line 1: the columns are",), id="wrong columns"),
        pytest.param("inspection,inspection\nL-0,L-1\n", ("line 1: the columns are", "each once"), id="a column twice"),
        pytest.param("inspection\n", ("names no inspection",), id="head alone"),
        pytest.param("inspection\nL-0\n\nL-1\nL-0\n", ("line 5: inspection", "stands in", "line 2 already"), id="named twice"),
        pytest.param("inspection\nL-0\nL-77\n", ("line 3: there is no sealed inspection 'L-77'",), id="unknown"),
        pytest.param("inspection,quantity\nL-0,ten\n", ("line 2: quantity 'ten' is no number of pieces",), id="quantity in words"),
        pytest.param("inspection,quantity\nL-0," + "9" * 5000 + "\n", ("line 2: quantity",), id="quantity of 5,000 digits"),
        pytest.param("inspection,quantity\nL-0,0\n", ("line 2: quantity 0: a number of pieces, 1 or more",), id="quantity 0"),
        pytest.param("inspection,received\nL-0,31.1.2026\n", ("line 2: received '31.1.2026' is no day",), id="bad day"),
        pytest.param("inspection,packing_slip\nL-0\n", ("line 2: has 1 columns and line 1 has 2",), id="too few"),
        pytest.param("inspection,packing_slip\nL-0,1,2\n", ("line 2: has 3 columns and line 1 has 2",), id="too many"),
        pytest.param("inspection,packing_slip\n,7\n", ("line 2: names no inspection",), id="no name"),
        pytest.param('inspection,packing_slip\n"L-0,7\n', ("line 2: is no CSV",), id="quote left open"),
        pytest.param('"inspection"x\nL-0\n', ("line 1: is no CSV",), id="quote in the head"),
        pytest.param("inspection,packing_slip\nL-0," + "7" * 10_000 + "\n", ("line 2: packing_slip has 10000 characters",), id="ten thousand characters"),
        pytest.param("inspection,packing_slip\nL-0,\u202e21\n", ("line 2: packing_slip: a certificate cannot print",), id="text that runs backwards"),
        pytest.param("inspection\n" + "L-0" * 100_000, ("line 2: is no CSV (field larger",), id="a giant cell"),
    ],
)  # fmt: skip
def test_a_list_that_cannot_be_taken_says_where_and_issues_nothing(
    door: FrontDoor, rows: str, parts: tuple[str, ...]
) -> None:
    answer = door("certify", "--list", door.write("list.csv", rows.encode()), *_signed(door))
    assert answer.code == 2
    for part in ("list.csv", *parts):
        assert part in answer.sentence
    assert _register(door.folder).certificates() == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        pytest.param((), "name inspections or lots, or say --all or --list FILE", id="nothing"),
        pytest.param(("L-0", "--all"), "one of the three", id="two ways"),
        pytest.param(("L-0", "L-1", "L-0"), "is named twice", id="twice"),
        pytest.param(("L-0", "nothing"), "there is no sealed inspection 'nothing'", id="unknown"),
        pytest.param(("--all", "--workers", "0"), "--workers 0: 1 to 61", id="no worker"),
        pytest.param(("--all", "--workers", "62"), "--workers 62: 1 to 61", id="too many workers"),
        pytest.param(("--list", "nothing.csv"), "nothing.csv: cannot be read (No such file", id="no list"),
        pytest.param(("--list", "."), ".: cannot be read (Is a directory)", id="a folder for a list"),
        pytest.param(("L-0", "L-1", "--draft", "look.pdf"), "--draft shows one certificate", id="two drafts"),
        pytest.param(("L-0", "--draft", "look.docx"), "name a file that ends in .pdf or .html", id="a draft of another kind"),
        pytest.param(("L-0", "--draft", "no/such/folder.pdf"), "cannot be written (No such file", id="a draft nowhere"),
        pytest.param(("L-0", "--why", " "), "--why is empty", id="an empty reason"),
        pytest.param(("L-0", "--deviation", "x" * 10_000, "--deviation-by", "oj"), "--deviation has 10000 characters", id="a long deviation"),
        pytest.param(("L-0", "--quantity", "0"), "--quantity 0: a number of pieces", id="no piece"),
        pytest.param(("L-0", "--received", "soon"), "--received 'soon' is no day", id="no day"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_for_is_refused_in_one_sentence(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], said: str
) -> None:
    monkeypatch.chdir(door.folder.parent)
    answer = door("certify", *words, "--signer", "mk", "--passphrase-file", "not asked for")
    assert answer.code == 2
    assert said in answer.sentence
    assert _register(door.folder).certificates() == []


def test_a_wrong_passphrase_is_asked_for_once_and_issues_nothing(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    import getpass
    import sys

    asked = []

    def ask(prompt: str = "") -> str:
        asked.append(prompt)
        return "wrong"

    monkeypatch.setattr(getpass, "getpass", ask)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    answer = door("certify", "--all", "--signer", "mk")
    assert answer.code == 2
    assert "the passphrase is wrong" in answer.sentence
    assert len(asked) == 1
    assert _register(door.folder).certificates() == []
    assert not (door.folder / "certificates").exists()


# What a customer asks for


def _customer(door: FrontDoor, text: str, file: str = "hollin") -> None:
    folder = door.folder / "customers"
    folder.mkdir(exist_ok=True)
    (folder / f"{file}.toml").write_text('name = "Hollin and Wray Garden Works"\n' + text, encoding="utf-8")


def _unasked(door: FrontDoor, *words: str) -> str:
    """Return the sentence of a refusal that comes before the passphrase is asked for."""
    answer = door("certify", "L-0", "--signer", "mk", "--passphrase-file", "not asked for", *words)
    assert answer.code == 2, answer
    return answer.sentence


def test_everything_that_a_customer_misses_is_said_at_once(door: FrontDoor) -> None:
    _customer(door, 'demands = ["packing-slip", "work-order", "quantity", "purchase-order", "received"]\n')
    sentence = _unasked(door)
    for part in (
        "the packing slip: --packing-slip",
        "the work order, which",
        "delivered: --quantity N",
        "came in: --received DAY",
    ):
        assert part in sentence
    assert "the purchase order" not in sentence
    _customer(door, 'demands = ["packing-slip", "quantity", "received"]\n')
    given = ("--packing-slip", "LS-9", "--quantity", "1", "--received", "2026-11-02")
    answer = door("certify", "L-0", *_signed(door), *given, "--json")
    assert answer.code == 0, answer
    page = page_texts(Path(json.loads(answer.out)["pdf"]).read_bytes())[0]
    for part in ("LS-9", "2026-11-02"):
        assert part in page


def test_a_batch_names_those_that_lack_what_is_asked_for_and_issues_none_of_them(door: FrontDoor) -> None:
    _customer(door, 'demands = ["packing-slip"]\n')
    listed = door.write("list.csv", b"inspection,packing_slip\nL-0,LS-1\nL-1,\n")
    answer = door("certify", "--list", listed, *_signed(door), "--workers", "1")
    assert answer.code == 2
    assert "the packing slip: --packing-slip NUMBER" in answer.sentence
    assert [e.lot for e in _register(door.folder).certificates()] == ["L-0"]


def test_type_3_1_asks_for_a_signer_who_is_independent_of_production_today(door: FrontDoor) -> None:
    _customer(door, 'document_type = "3.1"\n')
    shop = door.folder / "shop.toml"
    text = shop.read_text(encoding="utf-8")
    # Maire works in production by now, though she did not when the lot was sealed.
    shop.write_text(
        text.replace("independent_of_production = true", "independent_of_production = false"), encoding="utf-8"
    )
    assert "a signer who is independent of production" in _unasked(door)
    shop.write_text(text, encoding="utf-8")
    answer = door("certify", "L-0", *_signed(door), "--json")
    page = page_texts(Path(json.loads(answer.out)["pdf"]).read_bytes())[0]
    assert "Inspectioncertificate3.1asinEN10204" in page


def test_type_3_2_asks_for_the_place_of_a_further_signature(door: FrontDoor) -> None:
    assert "needs what is missing: the place of the further signature" in _unasked(door, "--type", "3.2")
    _customer(door, 'document_type = "3.2"\n')
    assert "name that place in approvals" in _unasked(door)
    _customer(door, 'approvals = ["Quality manager", "Inspector of the customer"]\n')
    assert "and further_party there, which names the one of the purchaser's" in _unasked(door, "--type", "3.2")
    places = (
        'approvals = ["Quality manager", "Inspector of the customer"]\nfurther_party = "Inspector of the customer"\n'
    )
    _customer(door, 'document_type = "3.2"\n' + places)
    answer = door("certify", "L-0", *_signed(door), "--json")
    assert answer.code == 0, answer
    assert (
        "3.2asinEN10204,onceitissignedbelowbyInspectorofthecustomeraswell:"
        in page_texts(Path(json.loads(answer.out)["pdf"]).read_bytes())[0]
    )


def test_two_files_of_one_customer_are_refused_by_name(door: FrontDoor) -> None:
    _customer(door, "")
    _customer(door, "", "hw")
    assert "hollin.toml and hw.toml are both of Hollin and Wray Garden Works; keep one" in _unasked(door)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "hinge.svg: cannot be read (No such file or directory)"),
        (b"", "the file is empty"),
        (b'<svg xmlns="http://www.w3.org/2000/svg"><script>1</script></svg>', "drawings/hinge.svg"),
        (b"hello", "this is neither SVG nor PNG"),
    ],
)
def test_a_drawing_that_is_missing_or_refused_stops_the_certificate(
    door: FrontDoor, content: bytes | None, said: str
) -> None:
    drawing = door.folder / "drawings" / "hinge.svg"
    drawing.unlink()
    if content is not None:
        drawing.write_bytes(content)
    assert said in _unasked(door)


# Drafts


@pytest.mark.parametrize("ending", ["pdf", "html"])
def test_a_draft_says_what_it_is_and_changes_nothing(door: FrontDoor, ending: str) -> None:
    draft = door.folder.parent / f"look.{ending}"
    answer = door("certify", "L-0", "--signer", "mk", "--passphrase-file", "not asked for", "--draft", str(draft))
    assert answer.code == 0, answer
    assert "nothing was issued" in answer.out
    said = "Draft: not signed, not in the register, and worth nothing."
    if ending == "pdf":
        assert said.replace(" ", "") in page_texts(draft.read_bytes())[0]
        assert b"/ByteRange" not in draft.read_bytes()
        assert door("verify", str(draft)).code == 4
    else:
        assert said in draft.read_text(encoding="utf-8")
    assert _register(door.folder).certificates() == []
    assert not (door.folder / "certificates").exists()


def test_a_draft_never_takes_the_place_of_a_certificate(door: FrontDoor) -> None:
    assert door("certify", "L-0", *_signed(door)).code == 0
    (name,) = _pdfs(door.folder)
    before = (door.folder / "certificates" / name).read_bytes()
    for path in (door.folder / "certificates" / name, door.folder / "jobs" / ".." / "certificates" / "other.pdf"):
        answer = door("certify", "L-1", "--signer", "mk", "--draft", str(path))
        assert "issued certificates lie there" in answer.sentence
    assert (door.folder / "certificates" / name).read_bytes() == before
    assert _pdfs(door.folder) == [name]


# Workers


def test_the_bytes_before_signing_do_not_depend_on_the_workers(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: dict[int, dict[str, bytes]] = {}
    real = issuing.release
    for workers in (1, 2):
        shop = copied(door.folder, door.folder.parent / f"by {workers}")
        seen = made.setdefault(workers, {})

        def keep(unsigned, ready, facts, identity, seen=seen):  # type: ignore[no-untyped-def]
            seen[facts.number] = unsigned.content
            return real(unsigned, ready, facts, identity)

        monkeypatch.setattr(batches, "release", keep)
        # The ledger's head is printed into each; a batch that registers nothing meanwhile keeps it.
        monkeypatch.setattr(Archive, "head", lambda _: "{}")
        there = FrontDoor(shop, door.capsys)
        assert there("certify", "--all", *_signed(door), "--workers", str(workers)).code == 0
        _assert_each_once(shop)
    assert len(made[1]) == LOTS
    assert made[1] == made[2]


class _Ending:
    """Lays out as a worker does, but ends its process at one lot."""

    def __init__(self, *lots: str) -> None:
        self._lots = lots

    def __call__(self, evidence, facts, look, html):  # type: ignore[no-untyped-def]
        if evidence.inspection.lot in self._lots:
            os._exit(9)
        return _LAID_OUT(evidence, facts, look, html)


_LAID_OUT = batches.laid_out


def test_a_worker_that_dies_is_named_and_the_rest_is_done(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batches, "laid_out", _Ending("L-1"))
    answer = door("certify", "--all", *_signed(door), "--workers", "2")
    assert answer.code == 2
    assert "the worker process that laid it out ended before it was done" in answer.sentence
    assert answer.out.splitlines()[-1] == f"{LOTS - 1} issued, 0 had one before, 1 not certified"
    assert "L-1" not in {e.lot for e in _register(door.folder).certificates()}
    monkeypatch.undo()
    assert door("certify", "--all", *_signed(door)).code == 0
    _assert_each_once(door.folder)


def test_workers_that_all_die_are_not_begun_for_ever(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batches, "laid_out", _Ending(*(f"L-{n}" for n in range(LOTS))))
    answer = door("certify", "--all", *_signed(door), "--workers", "2")
    assert answer.code == 2
    lines = answer.err.splitlines()
    assert len(lines) == LOTS
    assert sum("was not tried any more" in line for line in lines) == LOTS - 3


class _Failing:
    def __call__(self, evidence, facts, look, html):  # type: ignore[no-untyped-def]
        if evidence.inspection.lot == "L-1":
            raise KeyError("a defect")
        return _LAID_OUT(evidence, facts, look, html)


def test_a_defect_with_one_certificate_is_shown_and_does_not_hold_up_the_others(
    door: FrontDoor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batches, "laid_out", _Failing())
    answer = door("certify", "--all", *_signed(door), "--workers", "1")
    assert answer.code == 2
    assert "a defect of this program (KeyError: 'a defect')" in answer.err
    assert "Traceback" in answer.err
    assert len(_register(door.folder).certificates()) == LOTS - 1


def test_no_more_is_given_out_than_the_workers_need(door: FrontDoor, monkeypatch: pytest.MonkeyPatch) -> None:
    most = 0
    real = batches._Batch._give_out

    def counting(self, pool, waiting):  # type: ignore[no-untyped-def]
        nonlocal most
        broken = yield from real(self, pool, waiting)
        most = max(most, len(self._running))
        return broken

    monkeypatch.setattr(batches._Batch, "_give_out", counting)
    assert door("certify", "--all", *_signed(door), "--workers", "1").code == 0
    assert most == 2


# Killed, interrupted, two at once


def _ended(program: subprocess.Popen[str], seconds: float = 120) -> tuple[int, str, str]:
    out, err = program.communicate(timeout=seconds)
    return program.returncode, out, err


WORDS = ("certify", "--all", "--signer", "mk", "--passphrase-file", "passphrase.txt", "--workers", "2")


def test_a_batch_that_is_killed_again_and_again_ends_with_each_certificate_once(
    uncertified: Path, tmp_path: Path
) -> None:
    shop = copied(uncertified, tmp_path / "shop")
    rng = random.Random(7)
    for _ in range(2):
        program = begin(shop, *WORDS)
        assert program.stdout is not None
        program.stdout.readline()  # one is issued, or the program ended
        time.sleep(rng.uniform(0, 0.4))
        program.kill()
        program.communicate()
        assert orphans(shop) == []
        assert faults(shop, complete=False) == []
    assert _ended(begin(shop, *WORDS))[0] == 0
    _assert_each_once(shop)
    assert _ended(begin(shop, "archive", "check"))[0] == 0
    pdfs = [f"certificates/{e.pdf_name}" for e in _register(shop).certificates()]
    assert _ended(begin(shop, "verify", *pdfs))[0] == 0


def test_an_interrupt_stops_in_one_sentence_and_the_same_command_does_the_rest(
    uncertified: Path, tmp_path: Path
) -> None:
    shop = copied(uncertified, tmp_path / "shop")
    program = begin(shop, *WORDS)
    assert program.stdout is not None
    assert program.stdout.readline().startswith("1/")
    os.killpg(program.pid, signal.SIGINT)
    code, _, err = _ended(program)
    assert code == 130
    (line,) = err.splitlines()
    assert line.startswith("filmtally: stopped at ")
    assert line.endswith("the same command again does the rest")
    assert _ended(begin(shop, *WORDS))[0] == 0
    _assert_each_once(shop)


def test_two_batches_at_once_from_two_benches_issue_each_certificate_once(uncertified: Path, tmp_path: Path) -> None:
    shop = copied(uncertified, tmp_path / "shop")
    programs = [begin(shop, *WORDS[:-1], "1", bench=bench) for bench in ("bay", "yard")]
    answers = [_ended(program) for program in programs]
    assert [(code, err) for code, _, err in answers] == [(0, ""), (0, "")]
    _assert_each_once(shop)
    issued = [int(out.splitlines()[-1].split()[0]) for _, out, _ in answers]
    assert sum(issued) == LOTS


def test_two_certificates_of_one_number_prepared_at_once_are_not_both_issued(door: FrontDoor) -> None:
    """What the lock and the second look are for, without the luck that two processes need."""
    from archive.naming import inspection_named
    from archive.shop_folder import ShopFolder
    from report.issuing import Wish, lay_out, open_identity, prepare, register, release, with_key
    from schemas.errors import BadInput

    folder = ShopFolder(door.folder)
    secret = (door.folder / "passphrase.txt").read_text(encoding="utf-8").strip()
    identity = open_identity(folder, folder.shop(), "mk", lambda: secret, NOW)
    ready = []
    for bench in ("bay", "yard"):
        archive = Archive(folder.archive, bench)
        one = prepare(folder, archive, inspection_named("L-0", archive), Wish("mk"), NOW)
        facts = with_key(one.facts, identity, archive.head())
        laid = lay_out(one.evidence, one.assessment, facts, one.look, html=False)
        ready.append((archive, one, facts, release(laid.pdf, one, facts, identity), laid))
    first, second = ready
    issued = register(folder, *first)
    with pytest.raises(BadInput, match="was issued by another program meanwhile; nothing was changed"):
        register(folder, *second)
    assert issued.path.read_bytes() == first[3]
    assert len(_register(door.folder).certificates()) == 1


def test_what_a_kill_left_half_written_is_no_certificate_to_the_archive_s_check(door: FrontDoor) -> None:
    from archive.layout import TEMPORARY_PREFIX

    assert door("certify", "L-0", *_signed(door)).code == 0
    (name,) = _pdfs(door.folder)
    half = door.folder / "certificates" / f"{TEMPORARY_PREFIX}{name.replace('-r1', '-r2')}"
    half.write_bytes(b"%PDF-1.7\nhalf")
    answer = door("archive", "check")
    assert (answer.code, answer.err) == (0, "")
    assert door("certify", "--all", *_signed(door), "--workers", "1").code == 0


def test_a_certificate_that_is_damaged_is_named_by_the_archive_s_check_with_everything_else(door: FrontDoor) -> None:
    assert door("certify", "L-0", *_signed(door)).code == 0
    (name,) = _pdfs(door.folder)
    pdf = door.folder / "certificates" / name
    pdf.write_bytes(pdf.read_bytes()[:5000])
    answer = door("archive", "check")
    assert answer.code == 4
    assert f"{name}: is not the certificate that was issued; restore it from a copy" in answer.out
    assert answer.err == ""
