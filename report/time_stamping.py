"""What a time-stamp authority adds to a signature: that it existed at a time that is not the signer's own.

The levels are those of PAdES (ETSI EN 319 142-1): B-B is the signature alone; B-T adds a time stamp over it;
B-LT adds the certificates and revocation lists that it is judged by; B-LTA adds a time stamp over all of
that. What judges a signature is written together with it and not behind it, so that at every level the last
signature or time stamp in the file covers every byte.
"""

from __future__ import annotations

import base64
import contextlib
import dataclasses
import io
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from asn1crypto import crl, tsp, x509
from pyhanko.sign import signers
from pyhanko.sign.general import SigningError
from pyhanko.sign.signers.pdf_signer import (
    DSSContentSettings,
    PdfTimeStamper,
    SigDSSPlacementPreference,
    TimestampDSSContentSettings,
)
from pyhanko.sign.timestamps import TimeStamper
from pyhanko.sign.timestamps.common_utils import TimestampRequestError
from pyhanko_certvalidator import ValidationContext
from pyhanko_certvalidator.errors import PathBuildingError, PathValidationError, ValidationError

from report.identities import Identity, certificates_in
from report.pyhanko_log import silent
from schemas.errors import BadInput
from schemas.shop import SignatureSettings
from schemas.vocabulary import Revocation, SignatureLevel

_SECONDS: Final = 15
_MOST_BYTES: Final = 1_000_000
#: How far the shop's clock and the authority's may be apart.
_CLOCK_SECONDS: Final = 300
#: The field of the time stamp over the whole file; a second one is named onwards.
_ARCHIVE_FIELD: Final = "TimeStamp"


@dataclass(frozen=True, slots=True)
class LongTerm:
    """What a signature gets beyond B-B.

    Attributes:
        level: How far it goes.
        url: The time-stamp authority, for messages.
        timestamper: Asks it.
        signer_roots: Roots that signers' certificates end in.
        tsa_roots: Roots that the authority's certificate ends in.
        crls: Revocation lists at hand.
        fetches: Whether revocation is looked up where the certificates say.
    """

    level: SignatureLevel
    url: str
    timestamper: TimeStamper
    signer_roots: tuple[x509.Certificate, ...]
    tsa_roots: tuple[x509.Certificate, ...]
    crls: tuple[crl.CertificateList, ...]
    fetches: bool

    @property
    def archives(self) -> bool:
        """Return whether a time stamp over the whole file closes it."""
        return self.level is SignatureLevel.B_LTA

    @property
    def _keeps_evidence(self) -> bool:
        return self.level in (SignatureLevel.B_LT, SignatureLevel.B_LTA)

    def applied(self, meta: signers.PdfSignatureMetadata, identity: Identity, now: datetime) -> Any:
        """Return *meta* with what this level asks for."""
        usage = x509.Certificate.load(identity.certificate_der).key_usage_value
        known = dataclasses.replace(
            meta,
            validation_context=self.context(identity, now),
            signer_key_usage=set() if usage is None else usage.native & {"digital_signature", "non_repudiation"},
        )
        if not self._keeps_evidence:
            return known
        together = SigDSSPlacementPreference.TOGETHER_WITH_SIGNATURE
        return dataclasses.replace(
            known,
            embed_validation_info=True,
            dss_settings=DSSContentSettings(include_vri=False, placement=together),
        )

    def context(self, identity: Identity, now: datetime) -> ValidationContext:
        """Return by what the certificates of signer and authority are judged before they are relied on.

        Raises:
            BadInput: The signer's certificate is from an authority, and no root of it is named.
        """
        signer = x509.Certificate.load(identity.certificate_der)
        if identity.self_made or not self._keeps_evidence:
            roots = [signer, *self.tsa_roots]
        elif not self.signer_roots:
            raise BadInput(
                f"shop.toml: level {self.level.value} of a certificate that {identity.issuer!r} issued needs "
                "signature.signer_roots, the root that it ends in; nothing was signed"
            )
        else:
            roots = [*self.signer_roots, *self.tsa_roots]
        others = [x509.Certificate.load(der) for der in identity.chain_der]
        # What judges a signature in ten years has to be complete today.
        mode = "require" if self._keeps_evidence else "soft-fail"
        if self.fetches and self._keeps_evidence:
            return ValidationContext(
                trust_roots=roots, other_certs=others, allow_fetching=True, revocation_mode=mode, crls=self.crls
            )
        return ValidationContext(
            trust_roots=roots, other_certs=others, moment=now, revocation_mode=mode, crls=self.crls
        )

    @contextlib.contextmanager
    def faults_said(self) -> Iterator[None]:
        """Turn what an authority does wrong into one sentence.

        Raises:
            BadInput: The authority cannot be reached or refuses; a certificate does not end in a known root;
                it cannot be shown that none was revoked.
        """
        try:
            with silent():
                yield
        except (TimestampRequestError, OSError) as wrong:
            raise BadInput(
                f"the time-stamp authority {self.url} gave no time stamp ({_why(wrong)}); nothing was signed; "
                "try again later, or sign without one by --level b-b"
            ) from None
        except (PathBuildingError, PathValidationError, ValidationError, SigningError) as wrong:
            cause = wrong.__cause__ or wrong
            raise BadInput(
                f"a certificate of the signer or of the time-stamp authority {self.url} cannot be relied on: "
                f"{_why(cause)}; nothing was signed; see that signature.signer_roots, tsa_roots and revocation in "
                "shop.toml are right, or sign at a lower level with --level"
            ) from None


def long_term(
    settings: SignatureSettings, folder: Path, now: datetime, level: SignatureLevel | None = None
) -> LongTerm | None:
    """Return what a signature gets beyond B-B, or None where it gets nothing.

    Args:
        settings: What the shop wishes.
        folder: The shop folder, where the files that it names are.
        now: The time of the shop's clock.
        level: The level, where another one than the shop's own is wanted.

    Raises:
        BadInput: A level is wanted that the shop is not set up for; a file it names cannot be used.
    """
    level = level or settings.level
    if level is SignatureLevel.B_B:
        return None
    fault = settings.fault_at(level)
    if fault is not None or settings.tsa_url is None:
        raise BadInput(f"shop.toml: level {level.value} cannot be signed: {fault}")
    return LongTerm(
        level=level,
        url=settings.tsa_url,
        timestamper=_Authority(settings.tsa_url, _authorization(settings, folder), now),
        signer_roots=roots_in(folder, settings.signer_roots),
        tsa_roots=roots_in(folder, settings.tsa_roots),
        crls=crls_in(folder, settings.crl_files),
        fetches=settings.revocation is Revocation.FETCH,
    )


def roots_in(folder: Path, name: str | None) -> tuple[x509.Certificate, ...]:
    """Return the certificates in a file of the shop folder; none where there is no file named.

    Raises:
        BadInput: It cannot be read, or holds none.
    """
    if name is None:
        return ()
    return tuple(x509.Certificate.load(der) for der in certificates_in(_read(folder / name), str(folder / name)))


def crls_in(folder: Path, names: tuple[str, ...]) -> tuple[crl.CertificateList, ...]:
    """Return the revocation lists (DER or PEM) in files of the shop folder.

    Raises:
        BadInput: One cannot be read, or is none.
    """
    return tuple(crl_of(_read(folder / name), str(folder / name)) for name in names)


def crl_of(content: bytes, where: str) -> crl.CertificateList:
    """Return the revocation list in *content*, DER or PEM.

    Raises:
        BadInput: It is none.
    """
    from asn1crypto import pem

    try:
        der = pem.unarmor(content)[2] if pem.detect(content) else content
        found = crl.CertificateList.load(der, strict=True)
        found.native  # noqa: B018 - reads all of it
    except (ValueError, TypeError, KeyError):
        raise BadInput(f"{where}: is no revocation list in PEM or DER; ask the authority for its newest") from None
    return found


def with_document_time_stamp(writer: Any, long_term: LongTerm, identity: Identity, now: datetime) -> bytes:
    """Return the file that *writer* opened with a time stamp over all of it.

    Raises:
        TimestampRequestError: The authority gave none.
        PathBuildingError, ValidationError: Its certificate cannot be relied on.
    """
    taken = {str(f.get_object().get("/T")) for f in writer.root["/AcroForm"]["/Fields"]}
    number = next(n for n in range(1, len(taken) + 2) if f"{_ARCHIVE_FIELD}{n}" not in taken)
    stamper = PdfTimeStamper(
        long_term.timestamper,
        field_name=f"{_ARCHIVE_FIELD}{number}",
        readable_field_name="Time stamp over the whole file",
    )
    out = io.BytesIO()
    stamper.timestamp_pdf(
        writer,
        "sha256",
        validation_context=long_term.context(identity, now),
        output=out,
        dss_settings=TimestampDSSContentSettings(include_vri=False, update_before_ts=True),
    )
    return out.getvalue()


class _Authority(TimeStamper):
    """Asks one time-stamp authority over HTTP (RFC 3161, 3.4), with the standard library alone."""

    def __init__(self, url: str, authorization: str | None, now: datetime) -> None:
        super().__init__()  # type: ignore[no-untyped-call]  # pyHanko's own
        self._url = url
        self._authorization = authorization
        self._now = now

    async def async_request_tsa_response(self, req: tsp.TimeStampReq) -> tsp.TimeStampResp:
        headers = {"Content-Type": "application/timestamp-query"}
        if self._authorization is not None:
            headers["Authorization"] = self._authorization
        request = urllib.request.Request(self._url, req.dump(), headers)  # noqa: S310 - shop.toml allows http and https
        try:
            with urllib.request.urlopen(request, timeout=_SECONDS) as answer:  # noqa: S310 - as above
                content = answer.read(_MOST_BYTES)
        except urllib.error.HTTPError as wrong:
            with wrong:
                raise TimestampRequestError(f"it answers {wrong.code} {wrong.reason}") from None
        except OSError as wrong:
            raise TimestampRequestError(_why(getattr(wrong, "reason", wrong))) from None
        try:
            response = tsp.TimeStampResp.load(content, strict=True)
            if response["status"]["status"].native == "granted":
                self._refuse_another_time(response)
        except (ValueError, TypeError, KeyError):
            raise TimestampRequestError("its answer is no time stamp") from None
        return response

    def _refuse_another_time(self, response: tsp.TimeStampResp) -> None:
        given = response["time_stamp_token"]["content"]["encap_content_info"]["content"].parsed["gen_time"].native
        apart = abs((given - self._now).total_seconds())
        if apart > _CLOCK_SECONDS:
            raise TimestampRequestError(
                f"it says {given:%Y-%m-%d %H:%M} UTC and this machine's clock is {apart / 60:.0f} minutes from that; "
                "set the clock right"
            )


def _authorization(settings: SignatureSettings, folder: Path) -> str | None:
    if settings.tsa_username is None or settings.tsa_password_file is None:
        return None
    secret = _read(folder / settings.tsa_password_file).decode(errors="replace").rstrip("\r\n")
    return "Basic " + base64.b64encode(f"{settings.tsa_username}:{secret}".encode()).decode()


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as wrong:
        raise BadInput(f"{path}: cannot be read ({wrong.strerror}); shop.toml names it under [signature]") from None


def _why(wrong: BaseException | str) -> str:
    """Return the first line of what is said of a fault, without the full stop behind it."""
    said = str(getattr(wrong, "failure_msg", None) or wrong) or type(wrong).__name__
    return said.splitlines()[0].rstrip(".")
