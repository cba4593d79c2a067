"""shop.toml: who the shop is, its gauges, standards, inspectors, and how it verifies."""

from __future__ import annotations

import re
from datetime import date, timedelta
from decimal import Decimal
from typing import Annotated, Final, Self, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, field_validator, model_validator

from schemas.errors import BadInput
from schemas.model import Exact, Model, PictureName, Slug, Text, Thickness
from schemas.vocabulary import (
    DateStyle,
    Language,
    ProbeMode,
    Revocation,
    SignatureLevel,
    ToleranceRule,
    VerificationError,
)

_T = TypeVar("_T")

#: No policy lets a verification be older than this when a reading is taken: 31 days.
OLDEST_VERIFICATION_HOURS: Final = 744
OLDEST_VERIFICATION: Final = timedelta(hours=OLDEST_VERIFICATION_HOURS)


class Gauge(Model):
    """A gauge, with the calibration certificate that came with it and its accuracy statement."""

    serial: Slug
    name: Text | None = None
    probe_modes: Annotated[tuple[ProbeMode, ...], Field(min_length=1)]
    calibration_certificate: Text
    calibrated_by: Text
    calibrated_on: date
    calibration_due: date = Field(description="Last day on which the calibration holds.")
    accuracy_um: Annotated[Thickness, Field(ge=0)] = Field(description="a of the accuracy statement a + b·t, in µm.")
    accuracy_percent: Annotated[Exact, Field(ge=0, le=20)] = Field(
        description="b of the accuracy statement, in percent of the thickness."
    )
    profile: Slug | None = Field(None, description="Line profile that the gauge writes.")
    # How a bench reaches its gauge is no fact of an inspection: never written into an archive or a certificate.
    link: Text | None = Field(
        None, exclude=True, description='How the gauge is reached: "serial:/dev/ttyUSB0", "COM3", "ble:name=NAME" ...'
    )
    device_serial: Text | None = Field(
        None,
        exclude=True,
        description="Serial number that the gauge itself reports over Bluetooth, where that is not serial.",
    )

    @model_validator(mode="after")
    def _dates_stand_in_order(self) -> Self:
        if self.calibrated_on > self.calibration_due:
            raise ValueError(
                f"calibrated_on {self.calibrated_on} is after calibration_due {self.calibration_due}; swap them"
            )
        return self


class Standard(Model):
    """A piece of certified thickness; a zero plate is one of 0 µm."""

    serial: Slug
    certified_um: Annotated[Thickness, Field(ge=0)]
    expanded_u_um: Annotated[Thickness, Field(ge=0)] = Field(description="Expanded uncertainty (k = 2), in µm.")
    certificate: Text
    due: date = Field(description="Last day on which its certificate holds.")


class Token(Model):
    """A signing key on a PKCS#11 token."""

    library: Text = Field(description="The PKCS#11 library of the token's maker (a file).")
    label: Text = Field(description="Label of the token.")
    key: Text = Field(description="Label of the private key on it, and of its certificate.")
    certificate: Text | None = Field(
        None, description="File with the key's certificate (PEM), from the shop folder, where the token holds none."
    )


class Inspector(Model):
    """A person who measures or signs, known by a code."""

    code: Slug
    name: Text
    role: Text
    independent_of_production: bool
    identity: Text | None = Field(None, description="PKCS#12 file that the person signs with, from the shop folder.")
    # Where a key is kept is nobody's business but the shop's: never written into an archive or a certificate.
    token: Token | None = Field(None, exclude=True, description="Token that the person signs with, instead of a file.")

    @model_validator(mode="after")
    def _key_is_in_one_place(self) -> Self:
        if self.identity is not None and self.token is not None:
            raise ValueError("has both identity and token; keep the one that is signed with")
        return self


class Verification(Model):
    """The shop's verification policy."""

    max_age_hours: Annotated[Exact, Field(gt=0, le=OLDEST_VERIFICATION_HOURS)] = Field(
        Decimal(12), description="How old the last verification may be when a reading is taken."
    )
    closing_required: bool = True
    bracket_limits: bool = Field(
        True, description="The standards used must lie at or beyond the location's limits on both sides."
    )
    readings_per_standard: Annotated[int, Field(ge=1, le=100)] = 3
    tolerance_rule: ToleranceRule = ToleranceRule.ROOT_SUM_SQUARE
    error: VerificationError = Field(
        VerificationError.CARRIED,
        description="What becomes of the error that the opening check finds: carried in the uncertainty, or corrected for.",
    )


class SignatureSettings(Model):
    """How far certificates are signed, and which authorities help."""

    level: SignatureLevel = Field(SignatureLevel.B_B, description="b-b needs no network; the others need a time stamp.")
    tsa_url: Annotated[str, Field(pattern=r"^https?://[!-~]+$", max_length=200)] | None = Field(
        None, description="Address of the time-stamp authority (RFC 3161)."
    )
    tsa_username: Text | None = None
    tsa_password_file: Text | None = Field(None, description="File with the password, from the shop folder.")
    tsa_roots: Text | None = Field(
        None, description="File with the root certificates (PEM) that the authority's certificate ends in."
    )
    signer_roots: Text | None = Field(
        None, description="File with the root certificates (PEM) that signers' certificates end in; none for self-made."
    )
    revocation: Revocation = Field(
        Revocation.FETCH, description="Where b-lt and b-lta look up revocation: at the authorities, or in crl_files."
    )
    crl_files: tuple[Text, ...] = Field((), description="Certificate revocation lists, from the shop folder.")

    @model_validator(mode="after")
    def _level_can_be_signed(self) -> Self:
        if (self.tsa_username is None) != (self.tsa_password_file is None):
            raise ValueError("tsa_username and tsa_password_file go together; give both or none")
        fault = self.fault_at(self.level)
        if fault is not None:
            raise ValueError(f"level {self.level.value} cannot be signed: {fault}")
        return self

    def fault_at(self, level: SignatureLevel) -> str | None:
        """Return what is missing to sign at *level*, or None where nothing is."""
        if level is SignatureLevel.B_B:
            return None
        if self.tsa_url is None:
            return "add tsa_url, the address of a time-stamp authority"
        if self.tsa_roots is None:
            return "add tsa_roots, a file with the root that the time-stamp authority's certificate ends in"
        if level is not SignatureLevel.B_T and self.revocation is Revocation.FILES and not self.crl_files:
            return 'add crl_files, the revocation lists, or have them looked up with revocation = "fetch"'
        return None


class Plausible(Model):
    """Readings outside this range stop an import; it catches slips, it judges nothing."""

    lowest_um: Thickness = Decimal(0)
    highest_um: Annotated[Thickness, Field(gt=0)] = Decimal(2500)


class Look(Model):
    """How the shop's certificates look where the customer's own file says nothing else."""

    language: Language = Language.ENGLISH
    decimal_mark: Annotated[str, Field(pattern=r"^[.,]$")] | None = Field(
        None, description="How numbers are printed; left out, as the language does."
    )
    dates: DateStyle | None = Field(None, description="How days are printed; left out, as the language does.")
    logo: PictureName | None = Field(None, description="SVG or PNG file in the shop folder, at the head of page one.")
    colour: Annotated[str, Field(pattern=r"^#[0-9A-Fa-f]{6}$")] = Field(
        "#1d4e6b", description="Colour of the rules between sections; it has to be dark enough to be read in grey."
    )
    code_address: Annotated[Text, Field(pattern=r"\{code\}")] | None = Field(
        None, description="Address that the QR code opens, with {code} in it; left out, it holds number and code."
    )

    @field_validator("colour")
    @classmethod
    def _is_dark_enough(cls, colour: str) -> str:
        """Refuse what fades on a grey print: less than 4.5 to 1 against white (WCAG 2.1, 1.4.3 and its definition)."""

        def linear(channel: int) -> float:
            share = channel / 255
            return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4

        red, green, blue = (linear(int(colour[i : i + 2], 16)) for i in (1, 3, 5))
        if 1.05 / (0.2126 * red + 0.7152 * green + 0.0722 * blue + 0.05) < 4.5:
            raise ValueError("too light to be seen on paper; take a darker one")
        return colour


class Orders(Model):
    """Where the shop's work orders stand, and what its scanner types."""

    file: Text = Field("orders.csv", description="Table of the work orders, from the shop folder.")
    scanned: Text | None = Field(
        None,
        description="Regular expression of what the scanner types, with the group work_order; left out, it types the number.",
    )

    @field_validator("scanned")
    @classmethod
    def _names_the_number(cls, pattern: str | None) -> str | None:
        if pattern is None:
            return None
        try:
            groups = re.compile(pattern).groupindex
        except re.error as wrong:
            raise ValueError(f"is no regular expression: {wrong}") from None
        if "work_order" not in groups:
            raise ValueError("needs the group work_order, as in 'WO-(?P<work_order>[0-9]+)'")
        return pattern


class Shop(Model):
    """A shop file."""

    name: Text
    address: Text
    contact: Text | None = None
    code: Annotated[str, Field(pattern=r"^[A-Z0-9]{2,8}$", description="Starts every certificate number.")]
    time_zone: str = "UTC"
    decimal_mark: Annotated[str, Field(pattern=r"^[.,]$", description="How typed readings are written.")] = "."
    page: Annotated[str, Field(pattern=r"^(A4|Letter)$")] = "A4"
    gauge: Annotated[tuple[Gauge, ...], Field(min_length=1)]
    standard: tuple[Standard, ...] = ()
    inspector: Annotated[tuple[Inspector, ...], Field(min_length=1)]
    verification: Verification = Verification()
    plausible: Plausible = Plausible()
    certificate: Look = Look()
    # Where the shop plans its work is no fact of an inspection: never archived.
    orders: Orders = Field(Orders(), exclude=True)
    # As of today and not of the inspection, and not the reader's business either: never archived.
    signature: SignatureSettings = Field(SignatureSettings(), exclude=True)

    @field_validator("time_zone")
    @classmethod
    def _zone_is_known(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError("no such time zone; write it as Europe/Berlin or America/Chicago") from None
        return name

    @model_validator(mode="after")
    def _names_are_unique(self) -> Self:
        for kind, names in (
            ("gauge", [g.serial for g in self.gauge]),
            ("standard", [s.serial for s in self.standard]),
            ("inspector", [i.code for i in self.inspector]),
        ):
            twice = next((n for n in names if names.count(n) > 1), None)
            if twice is not None:
                raise ValueError(f"{kind} {twice!r} stands twice; give each its own")
        return self

    def find_gauge(self, serial: str) -> Gauge:
        """Return the gauge *serial*.

        Raises:
            BadInput: The shop has no such gauge.
        """
        return _one("gauge", serial, {g.serial: g for g in self.gauge})

    def find_standard(self, serial: str) -> Standard:
        """Return the standard *serial*.

        Raises:
            BadInput: The shop has no such standard.
        """
        return _one("standard", serial, {s.serial: s for s in self.standard})

    def find_inspector(self, code: str) -> Inspector:
        """Return the inspector *code*.

        Raises:
            BadInput: The shop has no such inspector.
        """
        return _one("inspector", code, {i.code: i for i in self.inspector})


def _one(kind: str, wanted: str, known: dict[str, _T]) -> _T:
    if wanted not in known:
        have = ", ".join(known) or "none"
        raise BadInput(f"shop.toml: there is no {kind} {wanted!r} (there are: {have}); add it or correct the name")
    return known[wanted]
