"""A signing key on a PKCS#11 token: it never leaves the token, and signs there.

python-pkcs11 is native code and not every shop has a token, so it comes with the extra filmtally[token].
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from report.identities import Identity, certificates_in, identity_of, issued_by, refuse_unusable
from schemas.errors import BadInput
from schemas.shop import Token

_DER: Final = Encoding.DER


def open_token(token: Token, folder: Path, pin: Callable[[], str], now: datetime) -> Identity:
    """Return the identity on a token, ready to sign.

    Args:
        token: Which token and which key.
        folder: The shop folder, where a certificate beside the token is.
        pin: Asks for the PIN; called only once the token is there.
        now: When it is to sign.

    Raises:
        BadInput: The extra is not installed; the library, the token, the key or its certificate is not
            there; the PIN is wrong or locked; the certificate does not hold now.
    """
    try:
        import pkcs11
        from pkcs11 import exceptions as faults
    except ImportError:
        raise BadInput(
            "a key on a token needs python-pkcs11; install it with: pip install 'filmtally[token]'"
        ) from None
    where = f"token {token.label!r}"
    try:
        library = pkcs11.lib(token.library)
    except (faults.PKCS11Error, RuntimeError) as wrong:
        raise BadInput(
            f"{token.library}: the PKCS#11 library cannot be used ({_said(wrong)}); correct token.library in shop.toml"
        ) from None
    try:
        there = [t for t in _tokens(library, faults) if t.label.strip() == token.label]
    except faults.PKCS11Error as wrong:
        raise BadInput(f"{token.library}: cannot list its tokens ({_said(wrong)}); is the reader connected?") from None
    if not there:
        raise BadInput(f"{where} is not there; plug it in, or correct token.label in shop.toml")
    if len(there) > 1:
        raise BadInput(f"{where}: there are {len(there)} tokens of that label; plug in one alone")
    try:
        session = _opened(there[0], pin(), faults)
    except (faults.PinIncorrect, faults.PinInvalid, faults.PinLenRange):
        raise BadInput(f"{where}: the PIN is wrong; a token locks itself after a few wrong ones") from None
    except (faults.PinLocked, faults.PinExpired):
        raise BadInput(f"{where}: its PIN is locked; whoever issued the token can unlock it") from None
    except faults.PKCS11Error as wrong:
        raise BadInput(f"{where}: cannot be opened ({_said(wrong)})") from None
    try:
        return _identity(session, token, folder, now, where)
    except BadInput:
        session.close()
        raise


def _opened(token: Any, pin: str, faults: Any) -> Any:
    try:
        return token.open(user_pin=pin)
    except faults.UserAlreadyLoggedIn:
        # This process has shown the right PIN before, and a token asks a process only once.
        return token.open()


def _tokens(library: Any, faults: Any) -> list[Any]:
    found = []
    for slot in library.get_slots(token_present=True):
        try:
            found.append(slot.get_token())
        except (faults.TokenNotPresent, faults.TokenNotRecognised):
            continue
    return found


def _identity(session: Any, token: Token, folder: Path, now: datetime, where: str) -> Identity:
    from asn1crypto import x509 as asn1_x509
    from pkcs11 import Attribute, KeyType, ObjectClass
    from pyhanko.sign.pkcs11 import PKCS11Signer
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    keys = list(
        session.get_objects(
            {Attribute.CLASS: ObjectClass.PRIVATE_KEY, Attribute.LABEL: token.key, Attribute.SIGN: True}
        )
    )
    if len(keys) != 1:
        raise BadInput(
            f"{where}: it holds {len(keys) or 'no'} signing key{'s' if len(keys) > 1 else ''} with the label "
            f"{token.key!r}, where one is needed; correct token.key in shop.toml"
        )
    held = [
        x509.load_der_x509_certificate(bytes(o[Attribute.VALUE]))
        for o in session.get_objects({Attribute.CLASS: ObjectClass.CERTIFICATE})
    ]
    if token.certificate is None:
        named = list(session.get_objects({Attribute.CLASS: ObjectClass.CERTIFICATE, Attribute.LABEL: token.key}))
        if len(named) != 1:
            raise BadInput(
                f"{where}: it holds no certificate with the label {token.key!r}; name its file with token.certificate "
                "in shop.toml"
            )
        certificate = x509.load_der_x509_certificate(bytes(named[0][Attribute.VALUE]))
    else:
        path = folder / token.certificate
        try:
            inside = [x509.load_der_x509_certificate(der) for der in certificates_in(path.read_bytes(), str(path))]
        except OSError as wrong:
            raise BadInput(
                f"{path}: cannot be read ({wrong.strerror}); shop.toml names it as the token's certificate"
            ) from None
        certificate, held = inside[0], [*inside[1:], *held]
    refuse_unusable(certificate, now, where)
    chain = _chain_above(certificate, held)
    signer = PKCS11Signer(
        session,
        signing_cert=asn1_x509.Certificate.load(certificate.public_bytes(_DER)),
        key_label=token.key,
        # Not every token hashes by itself for ECDSA; all of them sign a hash.
        use_raw_mechanism=keys[0].key_type == KeyType.EC,
    )
    # pyHanko counts the signer's own certificate among the others, and would write it twice.
    others = SimpleCertificateStore()  # type: ignore[no-untyped-call]
    others.register_multiple(asn1_x509.Certificate.load(c.public_bytes(_DER)) for c in chain)
    signer._cert_registry = others
    return identity_of(certificate, chain, signer)


def _chain_above(certificate: x509.Certificate, held: list[x509.Certificate]) -> list[x509.Certificate]:
    chain = [certificate]
    while True:
        above = next((c for c in held if c not in chain and issued_by(chain[-1], c)), None)
        if above is None:
            return chain[1:]
        chain.append(above)


def _said(wrong: BaseException) -> str:
    return (str(wrong).splitlines() or [""])[0] or type(wrong).__name__
