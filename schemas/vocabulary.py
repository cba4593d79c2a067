"""The closed word lists of the contract: a column or key takes one of these and nothing else."""

from __future__ import annotations

from enum import StrEnum
from typing import Final


class Role(StrEnum):
    """What a location is for, as far as judging and advice care."""

    VISIBLE = "visible"
    EDGE = "edge"
    HIDDEN = "hidden"
    FIT = "fit"
    MASKED = "masked"
    OTHER = "other"


class ProbeMode(StrEnum):
    """The principle that the probe works by (ISO 2178 magnetic, ISO 2360 eddy current)."""

    MAGNETIC = "magnetic"
    EDDY_CURRENT = "eddy-current"


class CheckKind(StrEnum):
    """What was done to or found out about a gauge. The words are those of ASTM D7091."""

    CALIBRATION = "calibration"
    VERIFICATION = "verification"
    ADJUSTMENT = "adjustment"
    INCIDENT = "incident"
    STUDY = "study"


class Occasion(StrEnum):
    """Why a check was made, or what happened to the gauge."""

    OPENING = "opening"
    CLOSING = "closing"
    DROP = "drop"
    BATTERY = "battery"
    PROBE = "probe"
    MODE = "mode"
    TEMPERATURE = "temperature"
    OTHER = "other"


#: Why a reading that was taken before coating is not judged.
BASE_READING: Final = "base metal reading: subtracted, not judged"
#: Why a reading that was undone at once is not judged: it says nothing about its piece.
UNDONE: Final = "undone by the inspector"
#: The location of readings before coating that hold for every location.
EVERYWHERE: Final = "every location"


class Clock(StrEnum):
    """Whose clock a reading's time comes from."""

    GAUGE = "gauge"
    COMPUTER = "computer"
    STATED = "stated"


class CoatStage(StrEnum):
    """What was on the metal when the reading was taken."""

    BARE = "bare"
    ZINC = "zinc"
    EARLIER_COAT = "earlier-coat"
    TOTAL = "total"


class RuleName(StrEnum):
    """The acceptance rules that a job can name."""

    EVERY_READING = "every-reading"
    LOCATION_MEANS = "location-means"
    SSPC_PA2 = "sspc-pa2"
    SSPC_PA2_EXTENT = "sspc-pa2-extent"
    ISO_19840 = "iso-19840"
    ARCHITECTURAL_LABEL = "architectural-label"
    ARCHITECTURAL_ALUMINIUM = "architectural-aluminium"
    NINETY_TEN = "ninety-ten"
    SHOP_RULE = "shop-rule"


class DecisionRule(StrEnum):
    """How measurement uncertainty enters a decision (ILAC-G8:09/2019, 4.2.1 to 4.2.3)."""

    SIMPLE = "simple"
    GUARD_BAND = "guard-band"
    FOUR_WAY = "four-way"


class ToleranceRule(StrEnum):
    """How gauge accuracy and a standard's uncertainty are joined into a verification tolerance."""

    ROOT_SUM_SQUARE = "root-sum-square"
    SUM = "sum"


class VerificationError(StrEnum):
    """What becomes of the error that a verification finds within its tolerance."""

    CARRIED = "carried"
    """Readings stay as they are; the error is part of the uncertainty."""
    CORRECTED = "corrected"
    """Readings are corrected for the error on the standard that lies nearest."""
    LINE = "line"
    """Readings are corrected by a straight line through all standards of the opening check, three or more."""


class Scheme(StrEnum):
    """Where the plan of a lot comes from."""

    EVERY_PIECE = "every-piece"
    ATTRIBUTES = "attributes"
    VARIABLES = "variables"
    LABEL = "architectural-label"


class Level(StrEnum):
    """Inspection levels of MIL-STD-105E: three general ones, and four special ones for small samples."""

    S_1 = "S-1"
    S_2 = "S-2"
    S_3 = "S-3"
    S_4 = "S-4"
    I = "I"  # noqa: E741 - the standard's own name
    II = "II"
    III = "III"


class Feature(StrEnum):
    """What a film changes the fit of."""

    HOLE = "hole"
    SHAFT = "shaft"
    THREAD = "thread"


class Appearance(StrEnum):
    """What the surface is meant to look like, as far as a second coat is concerned."""

    PLAIN = "plain"
    HIGH_GLOSS = "high-gloss"
    METALLIC = "metallic"
    TEXTURE = "texture"
    CHROME_LOOK = "chrome-look"
    NOT_SEEN = "not-seen"


class Language(StrEnum):
    """The languages that a certificate can be printed in."""

    ENGLISH = "en"
    GERMAN = "de"
    FRENCH = "fr"
    SPANISH = "es"


class DateStyle(StrEnum):
    """How a day is printed; the word shows the order."""

    YEAR_FIRST = "year-month-day"
    """2026-01-31 (ISO 8601)"""
    POINTS = "day.month.year"
    """31.01.2026"""
    STROKES = "day/month/year"
    """31/01/2026"""
    NAMED = "day month-name year"
    """31 Jan 2026, the month in the language of the certificate"""


class Demand(StrEnum):
    """What a customer can ask to be on every certificate."""

    PURCHASE_ORDER = "purchase-order"
    WORK_ORDER = "work-order"
    PACKING_SLIP = "packing-slip"
    PART_REVISION = "part-revision"
    LOT_SIZE = "lot-size"
    QUANTITY = "quantity"
    RECEIVED = "received"
    SPECIFICATION = "specification"
    RULE_EDITION = "rule-edition"
    PRETREATMENT = "pretreatment"
    POWDER_BATCH = "powder-batch"
    DRAWING = "drawing"
    UNCERTAINTY = "uncertainty"
    EVERY_PIECE = "every-piece-measured"
    INDEPENDENT_SIGNER = "independent-signer"


class SignatureLevel(StrEnum):
    """How far a signature can be judged later; the levels of PAdES (ETSI EN 319 142-1)."""

    B_B = "b-b"
    B_T = "b-t"
    B_LT = "b-lt"
    B_LTA = "b-lta"


class Revocation(StrEnum):
    """Where it is looked up that a certificate was not revoked, when a signature is made."""

    FETCH = "fetch"
    FILES = "files"
