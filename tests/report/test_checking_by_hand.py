"""docs/checking_a_certificate.md: every command in it is run, and its answer compared with verify's."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from asn1crypto import x509

from report.identities import as_pem, fingerprint_of, load_identity
from report.signing import sign
from report.time_stamping import long_term
from report.trust import Trust
from report.verifying import VerificationReport, verify
from tests.report import scenario
from tests.report.authorities import authorities, settings_in
from tests.report.made import PASSPHRASE, approved, asking, drafted, identity, second, signed

PAGE = Path(__file__).parents[2] / "docs" / "checking_a_certificate.md"
PACKAGES = {"pdfsig": "poppler-utils", "certutil": "libnss3-tools", "qpdf": "qpdf", "openssl": "openssl", "basenc": "coreutils"}  # fmt: skip
VALID = "Signature Validation: Signature is Valid."


def _needs(*programs: str) -> pytest.MarkDecorator:
    missing = [p for p in programs if shutil.which(p) is None]
    packages = " ".join(PACKAGES[p] for p in missing)
    return pytest.mark.skipif(bool(missing), reason=f"needs {missing}: apt-get install {packages}")


@cache
def _section(number: int) -> str:
    return re.split(r"^## ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)[number]


def _commands(number: int) -> list[str]:
    """Return the commands of a numbered section, in their order."""
    return [line[4:] for line in _section(number).splitlines() if line.startswith("    ")]


@dataclass
class Case:
    """A certificate in a folder with what the page asks for, and what verify says of it."""

    folder: Path
    found: VerificationReport
    signatures: int
    time_stamped: bool
    issued_by_an_authority: bool

    def run(self, commands: list[str]) -> list[str]:
        """Run commands one after the other in one shell and return the lines that they print."""
        shell = ["bash", "-eu", "-c", "\n".join(commands)]
        done = subprocess.run(shell, cwd=self.folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, (done.stdout, done.stderr)
        return [line.strip() for line in (done.stdout + done.stderr).splitlines()]


def _unsigned() -> Any:
    return drafted(asking(scenario.evidence(scenario.job(["Front face", "Back face"])))).pdf


@pytest.fixture(scope="module", params=["released", "released and approved", "with time stamps"])
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Case]:
    """Return each kind of certificate."""
    folder = tmp_path_factory.mktemp("checking")
    if request.param != "with time stamps":
        pdf, keys = signed(_unsigned()), [identity()]
        if request.param == "released and approved":
            pdf, keys = approved(pdf, second()), [*keys, second()]
        (folder / "shop.pem").write_bytes(as_pem([k.certificate_der for k in keys]))
        found = verify(pdf, {k.key_sha256 for k in keys}, now=scenario.ISSUED + timedelta(hours=2))
        (folder / "certificate.pdf").write_bytes(pdf)
        yield Case(folder, found, len(keys), False, False)
        return
    with authorities(scenario.ISSUED) as by:
        ida = load_identity(by.pkcs12("ida"), PASSPHRASE, scenario.ISSUED, "ida.p12")
        shop = folder / "of the shop"
        shop.mkdir()
        more = long_term(settings_in(shop, by, scenario.ISSUED, "b-lta"), shop, scenario.ISSUED)
        unsigned = drafted(asking(scenario.evidence(scenario.job(["Front face", "Back face"]))), key_of=ida).pdf
        pdf = sign(
            unsigned.content, unsigned.place, ida, name="Ida Brandt", reason="Released.", location="Eastfold",
            now=scenario.ISSUED, when="then", long_term=more,
        )  # fmt: skip
        (folder / "shop.pem").write_bytes(by.pem("root"))
        (folder / "time.pem").write_bytes(by.pem("time-root"))
        load = x509.Certificate.load
        trust = Trust(roots=(load(by.certificate("root")),), time_roots=(load(by.certificate("time-root")),))
    (folder / "certificate.pdf").write_bytes(pdf)
    yield Case(folder, verify(pdf, trust, now=scenario.ISSUED), 1, True, True)


def test_verify_calls_each_of_them_good(case: Case) -> None:
    assert [(p.name, p.sentence) for p in case.found.parts if p.verdict.name != "PASS"] == []


@_needs("pdfsig", "certutil")
def test_pdfsig_finds_the_same_signatures_valid(case: Case) -> None:
    shutil.rmtree(case.folder / "nss", ignore_errors=True)
    lines = [line.strip(" -") for line in case.run(_commands(1))]
    assert lines.count(VALID) == case.signatures
    names = [line.partition(": ")[2] for line in lines if line.startswith("Signer Certificate Common Name")]
    assert names == [s.holder for s in case.found.signatures]
    # The last one covers the whole file, and each before it does not.
    covers = [line for line in lines if line in ("Total document signed", "Not total document signed")]
    assert covers == ["Not total document signed"] * (len(case.found.signatures) - 1) + ["Total document signed"]
    trusted = "Certificate Validation: Certificate is Trusted."
    unknown = "Certificate Validation: Unknown issue with Certificate or corrupted data."
    assert lines.count(trusted if case.issued_by_an_authority else unknown) == case.signatures
    assert ("Signature Validation: Signature has not yet been verified." in lines) == case.time_stamped


def test_the_page_names_every_file_that_a_certificate_may_hold() -> None:
    from report.verifying import _FILES, _PICTURES

    page = (Path(__file__).parents[2] / "docs" / "checking_a_certificate.md").read_text(encoding="utf-8")
    for name in (*_FILES, *_PICTURES):
        assert f"`{name}`" in page or f"--show-attachment={name}" in page, name


@_needs("qpdf")
def test_qpdf_finds_no_fault_and_the_attachments_that_verify_reads(case: Case) -> None:
    lines = case.run(_commands(2))
    assert any(line.startswith("No syntax or stream encoding errors found") for line in lines)
    listed = sorted(line.partition(" -> ")[0] for line in lines if " -> " in line)
    assert listed == ["certificate.json", "gauge_checks.csv", "readings.csv", "readings.parquet"]
    document = json.loads((case.folder / "certificate.json").read_bytes())
    number = document["certificate"]["number"], document["certificate"]["revision"]
    assert case.found.number == f"{number[0]}, revision {number[1]}"
    assert (case.folder / "readings.parquet").read_bytes()[:4] == b"PAR1"


@_needs("openssl", "basenc")
@pytest.mark.parametrize("which", [1, 2])
def test_openssl_finds_each_signature_good_and_the_same_key(which: int, case: Case) -> None:
    if which > case.signatures:
        return
    commands = [line.replace("sed -n 1p", f"sed -n {which}p") for line in _commands(3)]
    # The invented certificates hold in the invented year.
    at = int(scenario.ISSUED.timestamp()) + 7200
    commands = [line.replace("-CAfile", f"-attime {at} -CAfile") for line in commands]
    lines = case.run(commands)
    assert "CAdES Verification successful" in lines
    prints = [line.partition("=")[2].replace(":", "").lower() for line in lines if "ingerprint=" in line]
    assert prints[0] == case.found.signers[which - 1][1]
    if not case.issued_by_an_authority and which == 1:
        assert prints[0] == prints[1]
    covered, size = next(line.split() for line in lines if re.fullmatch(r"\d+ \d+", line))
    assert covered == size


@_needs("openssl", "basenc")
def test_openssl_finds_the_time_stamp_over_the_whole_file_good(case: Case) -> None:
    if not case.time_stamped:
        return
    at = int(scenario.ISSUED.timestamp()) + 7200
    lines = case.run([line.replace("-CAfile", f"-attime {at} -CAfile") for line in _commands(4)])
    assert "Verification: OK" in lines
    (stamped,) = (line for line in lines if line.startswith("Time stamp:"))
    assert "Mar  4 16:30:00 2026 GMT" in stamped
    assert case.found.signatures[-1].stamped_at == "2026-03-04T16:30:00+00:00"


@_needs("qpdf", "openssl", "basenc")
def test_one_changed_byte_is_seen_by_openssl_and_not_by_qpdf(case: Case) -> None:
    """What each tool does not see is said on the page; here it is shown."""
    good = (case.folder / "certificate.pdf").read_bytes()
    place = good.index(b"/Title") + 9
    elsewhere = Case(case.folder / "changed", case.found, case.signatures, False, False)
    elsewhere.folder.mkdir(exist_ok=True)
    (elsewhere.folder / "certificate.pdf").write_bytes(good[:place] + bytes([good[place] ^ 1]) + good[place + 1 :])
    shutil.copy(case.folder / "shop.pem", elsewhere.folder)
    assert any(line.startswith("No syntax") for line in elsewhere.run(_commands(2)[:1]))
    with pytest.raises(AssertionError, match="CAdES Verification failure"):
        elsewhere.run(_commands(3)[:6])


# A spreadsheet


def _column(letters: str) -> int:
    index = 0
    for letter in letters:
        index = index * 26 + ord(letter) - ord("A") + 1
    return index - 1


def _mean(numbers: list[Decimal]) -> Decimal:
    return sum(numbers, Decimal(0)) / len(numbers)


_FUNCTIONS: dict[str, Callable[[list[Decimal]], Decimal]] = {"AVERAGEIFS": _mean, "MINIFS": min, "MAXIFS": max}


def _calculated(formula: str, rows: list[list[str]]) -> Decimal:
    """Return what a spreadsheet answers to one of the page's formulas."""
    name, inside = re.fullmatch(r"=(\w+)\((.*)\)", formula).groups()  # type: ignore[union-attr]
    words = [w.strip('"') for w in inside.split(",")]
    takes = None if name == "COUNTIFS" else _column(words.pop(0).partition(":")[0])
    wanted = [(_column(a.partition(":")[0]), b) for a, b in zip(words[::2], words[1::2], strict=True)]
    chosen = [r for r in rows if all(r[c].casefold() == value.casefold() for c, value in wanted)]
    if takes is None:
        return Decimal(len(chosen))
    return _FUNCTIONS[name]([Decimal(r[takes]) for r in chosen])


@_needs("qpdf")
def test_the_columns_that_the_page_names_are_there_and_its_sums_are_the_printed_ones(case: Case) -> None:
    case.run(_commands(2))
    with (case.folder / "readings.csv").open(encoding="utf-8", newline="") as file:
        head, *rows = list(csv.reader(file))
    named = re.findall(r"^\| ([A-Z]+) \| (\w+) \|", _section(5), re.MULTILINE)
    assert len(named) == 7
    assert [head[_column(letters)] for letters, _ in named] == [name for _, name in named]
    sums = dict(re.split(r"\s+", line, maxsplit=1) for line in _commands(5))
    document = json.loads((case.folder / "certificate.json").read_bytes())
    judged = document["judged"]["locations"][0]
    answers = {name: _calculated(formula, rows) for name, formula in sums.items()}
    assert answers["n"] == 5
    assert Fraction(answers["mean"]) == Fraction(judged["mean"])
    builds = [Decimal(r["thickness_um"]) for r in document["readings"] if r["location"] == "Front face"]
    assert (answers["least"], answers["greatest"]) == (min(builds), max(builds))


def test_the_fingerprint_of_the_page_s_certificate_is_the_one_that_verify_says(case: Case) -> None:
    from cryptography import x509 as pyca

    if case.issued_by_an_authority:
        return
    pem = (case.folder / "shop.pem").read_bytes()
    assert fingerprint_of(pyca.load_pem_x509_certificate(pem)) == case.found.signers[0][1]
