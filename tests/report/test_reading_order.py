"""What a reader hears: the tag tree as poppler reads it, a program that is none of ours, before and after signing.

poppler's `pdfinfo -struct-text` walks the tag tree and prints the text of every element (Debian poppler-utils).
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest

from report.evidence import Evidence
from tests.report import scenario
from tests.report.made import drafted, parts, signed, signed_by_another, with_approvals

pytestmark = pytest.mark.skipif(
    shutil.which("pdfinfo") is None, reason="needs poppler-utils: apt-get install poppler-utils"
)
_ELEMENT = re.compile(r"( *)([A-Za-z0-9]+)(?:[ :].*)?")


Tree = list[tuple[int, str, str]]


def _tree(pdf: bytes) -> Tree:
    """Return the lines that poppler prints of the tag tree: depth, and the type of an element or else its text.

    For every element poppler runs through its page and reckons the colour profile anew, which is nine tenths of its time and
    nothing that is heard: it gets the file, byte for byte, but for the names that lead to the profile.
    """
    assert pdf.count(b"[ /ICCBased") == pdf.count(b"/ICCBased") > 0
    assert b"/OutputIntents" in pdf
    pdf = pdf.replace(b"[ /ICCBased", b"[/DeviceRGB").replace(b"/OutputIntents", b"/NoMoreIntents")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "some.pdf"
        path.write_bytes(pdf)
        done = subprocess.run(["pdfinfo", "-struct-text", str(path)], capture_output=True, check=True)
    assert done.stderr == b""
    lines = []
    for line in done.stdout.decode().splitlines():
        depth = (len(line) - len(line.lstrip())) // 2
        if line.lstrip().startswith('"'):
            lines.append((depth, "", line.strip()[1:-1]))
        elif not line.lstrip().startswith("/"):  # an attribute
            match = _ELEMENT.fullmatch(line)
            assert match is not None, line
            lines.append((depth, match.group(2), ""))
    return lines


def _heard(tree: Tree) -> str:
    """Return the text in the order of the tag tree, without blanks, bullets and what stands inside of pictures."""
    out = []
    picture: int | None = None
    for depth, kind, text in tree:
        if picture is not None and depth > picture:
            continue
        picture = depth if kind == "Figure" else None
        out.append(text)
    return "".join("".join(out).replace("\u2022", "").split())


class _Written(HTMLParser):
    """The text of a page as HTML has it, without its foot, without blanks; and how often a table's head stands there."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.text = ""
        self._silent = 0
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        foot = tag == "div" and (self._silent or "foot-left" in (dict(attrs).get("class") or ""))
        if tag in ("head", "svg") or foot:
            self._silent += 1

    def handle_endtag(self, tag: str) -> None:
        if self._silent and tag in ("head", "svg", "div"):
            self._silent -= 1

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self.text += "".join(data.replace("\u2022", "").split())


def _html(of: Evidence) -> str:
    return parts(of)[1]


@cache
def _of() -> Evidence:
    """Return a small inspection: poppler's time goes with the square of what is on the page."""
    return scenario.evidence(scenario.job(["Front face", "Back face"]))


LABELS = ("Approved by the quality manager", "Approved by the customer")


def _long() -> Evidence:
    names = [f"place {n}" for n in range(1, 53)]
    return scenario.evidence(scenario.job(names), shown=scenario.figures(len(names), 1))


@cache
def _trees() -> dict[str, Tree]:
    """Return every tree that the tests look at; poppler takes seconds for each, so two are read at a time."""
    made, wanted = drafted(_of()).pdf, with_approvals(*LABELS, of=_of())
    pdfs = {
        "over pages": drafted(_long()).pdf.content,
        "unsigned": made.content,
        "signed": signed(made),
        "places": wanted.content,
        "places, signed": signed_by_another(signed(wanted)),
    }
    with ThreadPoolExecutor(2) as pool:
        return dict(zip(pdfs, pool.map(_tree, pdfs.values()), strict=True))


@pytest.mark.parametrize("stage", ["unsigned", "signed"])
def test_the_text_is_heard_in_the_order_of_the_page(stage: str) -> None:
    assert _parting(_heard(_trees()[stage]), _Written(_html(_of())).text) is None


def _parting(heard: str, written: str) -> tuple[str, str] | None:
    """Return both texts from where they part, or None; pytest would compare long ones for minutes."""
    if heard == written:
        return None
    at = next(
        (i for i, (h, w) in enumerate(zip(heard, written, strict=False)) if h != w), min(len(heard), len(written))
    )
    return heard[at : at + 40], written[at : at + 40]


def test_a_table_that_goes_over_pages_is_heard_in_order_with_its_head_on_each() -> None:
    heard, written = _heard(_trees()["over pages"]), _Written(_html(_long())).text
    head = re.search(r"LocationRoleLimits.*?Verdict", written)
    assert head is not None
    again = heard.count(head.group())
    assert again > 1
    # Nothing is heard in another order: without its repetitions the whole is what is written.
    first, _, rest = heard.partition(head.group())
    once = first + head.group() + rest.replace(head.group(), "")
    others = re.findall(r"No\.Time.*?Build|LocationRepeats.*?U\(1\)|CheckDone,by.*?Outcome", written)
    for other in others:
        before, _, after = once.partition(other)
        once = before + other + after.replace(other, "")
    assert _parting(once, written) is None


def test_every_table_is_heard_with_its_head() -> None:
    kinds = [kind for _, kind, _ in _trees()["signed"] if kind]
    tables = kinds.count("Table")
    assert tables >= 4
    assert kinds.count("THead") == tables
    assert (kinds[0], kinds.count("H1")) == ("Document", 1)


def test_the_running_foot_is_not_heard() -> None:
    heard = _heard(_trees()["unsigned"])
    assert "Page1of" not in heard
    # Once as the title with its number, and not again from the foot of each page.
    assert heard.count("FilmbuildcertificateMLP-260304-door,revision1") == 1


@pytest.mark.parametrize("stage", ["places", "places, signed"])
def test_every_place_to_sign_is_met_where_the_page_has_it_signed_or_not(stage: str) -> None:
    tree = _trees()[stage]
    forms = [i for i, (_, kind, _) in enumerate(tree) if kind == "Form"]
    assert len(forms) == 3
    for label, form in zip(LABELS, forms[1:], strict=True):
        before = "".join("".join(text.split()) for _, kind, text in tree[:form] if not kind)
        assert before.endswith("".join(f"{label}: I have seen this certificate and agree to it.".split()))
