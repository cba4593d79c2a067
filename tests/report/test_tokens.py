"""A key on a PKCS#11 token, with SoftHSM in the place of a card."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.serialization import Encoding, pkcs12

from report.assessing import judge
from report.certificate import draft
from report.identities import Identity, make_identity
from report.tokens import open_token
from report.verifying import verify
from schemas.errors import BadInput
from schemas.shop import Token
from tests.report import scenario
from tests.report.authorities import authorities
from tests.report.made import PASSPHRASE, signed

LIBRARY = next((p for p in ("/usr/lib/softhsm/libsofthsm2.so", "/usr/local/lib/softhsm/libsofthsm2.so") if Path(p).exists()), None)  # fmt: skip
PIN = "24681357"

pytestmark = [
    pytest.mark.skipif(
        LIBRARY is None or shutil.which("softhsm2-util") is None, reason="needs SoftHSM: apt-get install softhsm2"
    ),
    pytest.mark.skipif(
        importlib.util.find_spec("pkcs11") is None, reason="needs python-pkcs11: pip install 'filmtally[token]'"
    ),
]


@pytest.fixture(scope="module", autouse=True)
def card(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Make a token with two keys on it: Ida's, self-made, and one whose certificate an authority issued."""
    folder = tmp_path_factory.mktemp("softhsm")
    (folder / "tokens").mkdir()
    (folder / "softhsm2.conf").write_text(f"directories.tokendir = {folder}/tokens\nlog.level = ERROR\n", "utf-8")
    before = os.environ.get("SOFTHSM2_CONF")
    os.environ["SOFTHSM2_CONF"] = str(folder / "softhsm2.conf")
    for label in ("Ida", "Empty"):
        subprocess.run(
            ["softhsm2-util", "--init-token", "--free", "--label", label, "--pin", PIN, "--so-pin", "0000"],
            check=True,
            capture_output=True,
        )
    with authorities(scenario.ISSUED) as by:
        chained = by.pkcs12("rsa")
    made = make_identity("Ida Brandt", "Marlowe Lane", PASSPHRASE, scenario.ISSUED - timedelta(days=1), valid_days=30)
    _put(made, "release")
    _put(chained, "chained")
    yield folder
    if before is None:
        del os.environ["SOFTHSM2_CONF"]
    else:
        os.environ["SOFTHSM2_CONF"] = before


def _put(made: bytes, label: str) -> None:
    import pkcs11
    from cryptography.hazmat.primitives.serialization import NoEncryption, PrivateFormat
    from pkcs11 import Attribute, ObjectClass
    from pkcs11.util.ec import decode_ec_private_key
    from pkcs11.util.rsa import decode_rsa_private_key

    key, certificate, chain = pkcs12.load_key_and_certificates(made, PASSPHRASE.encode())
    assert key is not None
    assert certificate is not None
    der = key.private_bytes(Encoding.DER, PrivateFormat.TraditionalOpenSSL, NoEncryption())  # type: ignore[union-attr]
    decode = decode_rsa_private_key if label == "chained" else decode_ec_private_key
    session = pkcs11.lib(LIBRARY).get_token(token_label="Ida").open(user_pin=PIN, rw=True)  # noqa: S106 - the token's name
    session.create_object(decode(der) | {Attribute.TOKEN: True, Attribute.LABEL: label, Attribute.SIGN: True})
    for name, one in [(label, certificate), *((f"above {n}", c) for n, c in enumerate(chain))]:
        session.create_object(
            {
                Attribute.CLASS: ObjectClass.CERTIFICATE,
                Attribute.CERTIFICATE_TYPE: pkcs11.CertificateType.X_509,
                Attribute.TOKEN: True,
                Attribute.LABEL: name,
                Attribute.SUBJECT: one.subject.public_bytes(),
                Attribute.VALUE: one.public_bytes(Encoding.DER),
            }
        )
    session.close()


@dataclass
class Asked:
    """Counts how often the PIN is asked for."""

    pin: str = PIN
    times: int = 0

    def __call__(self) -> str:
        self.times += 1
        return self.pin


@contextmanager
def _opened(folder: Path, **changes: Any) -> Iterator[Identity]:
    """Open a key on the token, and log out again: a token asks a process for its PIN only once."""
    by = open_token(_token(**changes), folder, Asked(), scenario.ISSUED)
    try:
        yield by
    finally:
        by.signer.pkcs11_session.close()


def _token(**changes: Any) -> Token:
    return Token(**({"library": LIBRARY, "label": "Ida", "key": "release"} | changes))


def _certified(by: Identity) -> bytes:
    of = scenario.evidence(scenario.job(["Front face"]))
    return signed(draft(of, judge(of), scenario.facts(key_sha256=by.key_sha256)).pdf, by)


def test_a_key_on_a_token_signs_as_one_in_a_file_does(tmp_path: Path) -> None:
    with _opened(tmp_path) as by:
        assert by.self_made
        found = verify(_certified(by), {by.key_sha256})
    assert [p.sentence for p in found.parts if p.verdict.name != "PASS"] == []


def test_a_chain_on_the_token_goes_into_the_signature_and_an_rsa_key_signs_too(tmp_path: Path) -> None:
    with _opened(tmp_path, key="chained") as by:
        assert (by.issuer, len(by.chain_der)) == ("Eastfold Signing Authority", 2)
        found = verify(_certified(by), {by.key_sha256})
    assert [p.sentence for p in found.parts if p.verdict.name != "PASS"] == []


def test_a_certificate_beside_the_token_is_taken_where_it_is_named(tmp_path: Path) -> None:
    with _opened(tmp_path) as by:
        (tmp_path / "ida.crt").write_bytes(by.certificate_der)
    with _opened(tmp_path, certificate="ida.crt") as beside:
        assert beside.key_sha256 == by.key_sha256


def test_a_process_that_has_shown_its_pin_opens_a_second_key(tmp_path: Path) -> None:
    with _opened(tmp_path) as first, _opened(tmp_path, key="chained") as other:
        assert first.key_sha256 != other.key_sha256


@pytest.mark.parametrize(
    ("changes", "pin", "says", "asked"),
    [
        ({}, "00000000", "token 'Ida': the PIN is wrong", 1),
        ({}, "", "token 'Ida': the PIN is wrong", 1),
        ({"label": "Nobody"}, PIN, "token 'Nobody' is not there; plug it in", 0),
        ({"label": "Empty"}, PIN, "it holds no signing key with the label 'release'", 1),
        ({"key": "another"}, PIN, "it holds no signing key with the label 'another'", 1),
        ({"library": "/no/such/library.so"}, PIN, "/no/such/library.so: the PKCS#11 library cannot be used", 0),
        ({"library": __file__}, PIN, "the PKCS#11 library cannot be used", 0),
        ({"certificate": "none.crt"}, PIN, "none.crt: cannot be read", 1),
    ],
)
def test_what_is_missing_is_said_in_one_sentence(
    changes: dict[str, str], pin: str, says: str, asked: int, tmp_path: Path
) -> None:
    ask = Asked(pin)
    with pytest.raises(BadInput) as refused:
        open_token(_token(**changes), tmp_path, ask, scenario.ISSUED)
    assert says in refused.value.sentence
    assert len(refused.value.sentence.splitlines()) == 1
    assert ask.times == asked


def test_a_certificate_that_has_ended_does_not_sign_from_a_token_either() -> None:
    with pytest.raises(BadInput, match="expired on"):
        open_token(_token(), Path(), Asked(), scenario.ISSUED + timedelta(days=60))
