"""The short code of a paper copy: found by whoever types it, refused where it is mistyped, and read by a camera."""

from __future__ import annotations

import hashlib
import io
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from report.short_code import CHECKS, DIGITS, check_symbol, decoded, encoded, parsed, qr, short_code
from schemas.errors import BadInput
from tests.report.qr_reader import modules_of_svg, read

payloads = st.binary(max_size=40)


def test_the_worked_example_of_the_published_alphabet() -> None:
    """Crockford, Base 32, https://www.crockford.com/base32.html: 1234 is 16J, with its check symbol 16JD (from memory)."""
    assert encoded(1234) == "16J"
    assert check_symbol(1234) == "D"
    assert decoded("16J") == 1234


def test_the_alphabet_is_the_published_one() -> None:
    """The same page: ten digits and the letters without I, L, O and U; *, ~, $, = and U are checks of 32 to 36."""
    letters = "".join(c for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZ" if c not in "ILOU")
    assert "0123456789" + letters == DIGITS
    assert CHECKS == DIGITS + "*~$=U"
    assert [check_symbol(n) for n in (31, 32, 36, 37)] == ["Z", "*", "U", "0"]


def test_the_code_is_the_first_55_bits_of_the_hash() -> None:
    """SHA-256 of "abc" begins ba7816bf 8f01cfea (FIPS 180-4, the standard's example, from memory)."""
    first = bin(0xBA7816BF8F01CFEA)[2:][:55]
    assert hashlib.sha256(b"abc").hexdigest().startswith("ba7816bf8f01cfea")
    digits = "".join(DIGITS[int(first[k : k + 5], 2)] for k in range(0, 55, 5))
    assert short_code(b"abc").replace("-", "")[:11] == digits


@given(payloads)
def test_a_code_has_three_groups_of_digits_and_letters_and_is_read_back_as_it_is(payload: bytes) -> None:
    code = short_code(payload)
    assert re.fullmatch(r"[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}", code)
    assert parsed(code) == code
    assert short_code(payload) == code


def test_a_hash_with_an_odd_check_symbol_is_passed_over_for_the_next() -> None:
    def code_of(payload: bytes) -> str:
        value = int.from_bytes(hashlib.sha256(payload).digest()) >> (256 - 55)
        return encoded(value).rjust(11, "0") + check_symbol(value)

    odd = 0
    for n in range(200):
        payload = b"certificate %d " % n
        before = code_of(payload)
        expected = before
        for count in range(1, 9):
            if expected[-1] not in "*~$=U":
                break
            odd += count == 1
            expected = code_of(payload + b"%d" % count)
        assert short_code(payload).replace("-", "") == expected
        # What an earlier edition issued is still read.
        assert parsed(before).replace("-", "") == before
    assert 10 < odd < 50


@given(payloads, st.data())
def test_what_looks_alike_is_read_alike(payload: bytes, data: st.DataObject) -> None:
    code = short_code(payload)
    alike = {"0": "0oO", "1": "1iIlL"}
    typed = "".join(data.draw(st.sampled_from(alike.get(c, c + c.lower()))) for c in code.replace("-", ""))
    blanks = data.draw(st.sampled_from(["", " ", "-", " - "]))
    assert parsed(blanks.join((typed[:4], typed[4:8], typed[8:])) + " ") == code


@given(payloads, st.integers(0, 11), st.integers(1, 36))
def test_any_one_mistaken_character_is_found(payload: bytes, at: int, by: int) -> None:
    code = short_code(payload).replace("-", "")
    known = CHECKS if at == 11 else DIGITS
    wrong = known[(known.index(code[at]) + by) % len(known)]
    if wrong != code[at]:
        with pytest.raises(BadInput, match="check character does not fit"):
            parsed(code[:at] + wrong + code[at + 1 :])


@given(payloads, st.integers(0, 10))
def test_any_two_neighbours_exchanged_are_found(payload: bytes, at: int) -> None:
    code = short_code(payload).replace("-", "")
    swapped = code[:at] + code[at + 1] + code[at] + code[at + 2 :]
    if swapped != code:
        with pytest.raises(BadInput):
            parsed(swapped)


@pytest.mark.parametrize(
    ("written", "why"),
    [
        ("", "it has 0 characters and a code has 12"),
        ("5NRH-CGNQ-4TR", "it has 11 characters"),
        ("5NRH-CGNQ-4TRZ-1", "it has 13 characters"),
        ("5NRH-CGNQ-4T?Z", "'?' is in no code"),
        ("UNRH-CGNQ-4TRZ", "'U' is in no code"),
        ("5NRH-CGNQ-4TR!", "'!' is in no code"),
        ("5NRH-CGNQ-4TRX", "its check character does not fit"),
        ("../../etc/passwd", "'.' is in no code"),
        ("\u0665NRH-CGNQ-4TRZ", "is in no code"),
    ],
)
def test_what_is_no_code_is_refused_in_a_sentence_that_says_why(written: str, why: str) -> None:
    with pytest.raises(BadInput, match=re.escape(why)):
        parsed(written)


@pytest.mark.parametrize(
    "text",
    [
        "TLPW-2026-00012 1 5NRH-CGNQ-4TRZ",
        "https://certificates.tannerylane.invalid/find?code=5NRH-CGNQ-4TRZ",
        "7",
        "Ø 16 µm",
        "x" * 200,
        "0123456789" * 10,
    ],
)
def test_the_printed_qr_is_read_back_by_a_reader_of_its_own(text: str) -> None:
    assert read(modules_of_svg(qr(text, "Code"))) == text


@given(st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=120))
def test_any_text_is_read_back(text: str) -> None:
    assert read(modules_of_svg(qr(text, "Code"))) == text


@pytest.mark.skipif(shutil.which("zbarimg") is None, reason="needs zbar-tools: apt-get install zbar-tools")
def test_another_program_reads_the_printed_qr(tmp_path: Path) -> None:
    text = "https://certificates.tannerylane.invalid/find?code=5NRH-CGNQ-4TRZ"
    rows = modules_of_svg(qr(text, "Code"))
    n = len(rows) + 8
    image = Image.new("L", (n, n), 255)
    for y, row in enumerate(rows):
        for x, dark in enumerate(row):
            image.putpixel((x + 4, y + 4), 0 if dark else 255)
    out = io.BytesIO()
    image.resize((8 * n, 8 * n), Image.Resampling.NEAREST).save(out, format="PNG")
    path = tmp_path / "code.png"
    path.write_bytes(out.getvalue())
    shown = subprocess.run(["zbarimg", "--quiet", "--raw", str(path)], capture_output=True, check=True)
    assert shown.stdout.decode().strip() == text


def test_a_text_beyond_any_qr_is_refused() -> None:
    with pytest.raises(BadInput, match="more than a QR code holds"):
        qr("x" * 5000, "Code")


def test_its_title_is_escaped() -> None:
    assert "<title>a &lt;b&gt;</title>" in qr("x", "a <b>")
