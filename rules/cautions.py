"""The usual cautions around stripping, blasting, ovens and sanding, and the parts that nobody just strips.

Data only. Each names the authority that publishes it and says how well it is known here. They say what
can go wrong and whom to ask, never how to do the work: the product data sheet, the safety data sheets,
local codes and licensed practice govern. No temperature, time or concentration stands here as an
instruction.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from rules.results import Caution

#: Printed with every advice to strip.
STRIPPING: Final[tuple[Caution, ...]] = (
    Caution(
        "Stripping is work for trained people under the product data sheet, the safety data sheets, local codes and "
        "permits; sending the part to a licensed stripper is often the right answer.",
        "the product data sheet; local authority having jurisdiction; in the US also OSHA 29 CFR 1910.1200, 1910.132 "
        "and 1910.134",
        "OSHA titles read; that sending out is usual: common practice, no source",
    ),
    Caution(
        "Methylene chloride kills by its vapour and has killed workers who stripped coatings; in the US most of its "
        "uses are prohibited. Do not take it for a stripper unless a competent person has shown that the use is lawful.",
        "US EPA, 40 CFR 751 Subpart B (89 FR 39254); US OSHA, 29 CFR 1910.1052; OSHA-NIOSH Hazard Alert 2013-110",
        "read, in the rule's publication and the hazard alert; which uses continue: from memory in part",
    ),
    Caution(
        "Other chemical strippers burn skin and eyes and give off harmful vapour; acid-activated ones can put hydrogen "
        "into steel, which may break later without warning.",
        "US OSHA, 29 CFR 1910.132, 1910.138 and 1910.151(c); ASTM B849 and B850 on hydrogen in steel",
        "eye and skin protection, and relief of hydrogen: read; the OSHA paragraphs and the acid grades: from memory",
    ),
    Caution(
        "Hot alkaline strippers burn, and dissolve aluminium and zinc with hydrogen given off: never for aluminium, "
        "zinc or galvanized steel unless its maker says so.",
        "US OSHA, 29 CFR 1910.124 to 1910.126 (dip tanks); the stripper's data sheet",
        "that caustic and aluminium do not go together: read; the rest: from memory",
    ),
    Caution(
        "A stripping tank or pit holds heavy vapour; leaning or climbing in can count as confined-space entry.",
        "US OSHA, 29 CFR 1910.146",
        "from memory",
    ),
    Caution(
        "A burn-off oven can catch fire or explode, gives off acid vapour, and not every part stands it: ask before "
        "loading sealed or hollow parts, magnesium, aluminium in a heat-treated temper, zinc die castings, springs and "
        "hardened parts, brazed or soldered parts, and films with PVC, fluoropolymer, lead or chromate.",
        "NFPA 86 (ovens and furnaces); the oven maker's instructions; air permit of the local authority",
        "that NFPA 86 governs, and that not all parts stand it: read; the list of loads: from memory",
    ),
    Caution(
        "Blasting raises dust of coating, metal and abrasive: find out what is in the old film first; blasting asks for "
        "a respirator made for it, and a dust mask does not replace one.",
        "US OSHA, 29 CFR 1910.94(a), 1910.1000; for silica 1910.1053, for lead 1910.1025, for chromium(VI) 1910.1026",
        "respirators, lead and chromium titles: read; silica: from memory",
    ),
    Caution(
        "Coating and metal dusts can burn and explode; keep aluminium dust apart from steel and rust dust.",
        "NFPA 660 (combustible dusts), NFPA 33 (powder application)",
        "read; separate collectors: from memory",
    ),
    Caution(
        "Stripper, sludge, ash and blast dust may be hazardous waste: find out before disposing of any of it.",
        "US EPA, RCRA, 40 CFR 261 and 262; state or local agency",
        "read",
    ),
    Caution(
        "Outside the US the local rules take their place: in the UK COSHH, DSEAR and the confined-spaces rules, in the "
        "EU REACH (methylene chloride: annex XVII, entry 59) and national law.",
        "HSE; ECHA",
        "COSHH and REACH: read; the rest: from memory",
    ),
)

#: Printed with every advice to scuff and recoat.
SCUFFING: Final[tuple[Caution, ...]] = (
    Caution(
        "Sanding raises dust of the cured film: find out what is in it, and in what lies under it, before any is made "
        "airborne; wear the protection that this asks for and keep the dust from collecting.",
        "US OSHA, 29 CFR 1910.94 and 1910.1000; NFPA 660; the powder's safety data sheet",
        "read for blasting dust; its use for sanding: common practice, no source",
    ),
    Caution(
        "Every further bake heats the metal again: the alloy's maker says whether its temper stands that.",
        "the maker of the part; the powder's data sheet",
        "read, in a trade discussion with handbook data for aluminium wheels",
    ),
)


@dataclass(frozen=True, slots=True)
class SubstrateCaution:
    """A caution that a word in the job's substrate calls for."""

    words: re.Pattern[str]
    caution: Caution


#: Printed besides, where the job's substrate names the metal.
BY_SUBSTRATE: Final[tuple[SubstrateCaution, ...]] = (
    SubstrateCaution(
        re.compile(r"galvani[sz]|sherardi[sz]|zinc|zamak|hot[- ]dip", re.IGNORECASE),
        Caution(
            "This job's metal carries zinc: alkaline and acid strippers dissolve it, heat and blasting can take it off, "
            "and the protection under the powder is then gone. Ask the galvanizer, and measure the zinc again.",
            "the galvanizer; the stripper's data sheet",
            "from memory",
        ),
    ),
    SubstrateCaution(
        re.compile(r"alumin|\balu\b|\bal ?(mg|si)", re.IGNORECASE),
        Caution(
            "This job's metal is aluminium: caustic dissolves it, and heat can take the strength out of a heat-treated "
            "temper without any visible sign. Ask for alloy and temper before anything hot or alkaline.",
            "the maker of the part; the stripper's data sheet",
            "read, in trade discussions with handbook data",
        ),
    ),
    SubstrateCaution(
        re.compile(r"magnesium|elektron", re.IGNORECASE),
        Caution(
            "This job's metal is magnesium: it can burn, and acid strippers attack it. Ask its maker before any heat, "
            "blasting or chemical.",
            "the maker of the part; NFPA 660",
            "from memory",
        ),
    ),
)


@dataclass(frozen=True, slots=True)
class StopClass:
    """A class of parts that is not stripped or baked again without its owner's word.

    Attributes:
        words: What in a job's title, substrate or specification points to the class. A hint only: no
            list of words knows every such part.
    """

    name: str
    why: str
    authority: str
    known: str
    words: re.Pattern[str]

    def as_caution(self) -> Caution:
        """Return the class as a caution to print."""
        return Caution(f"{self.name}: {self.why}", self.authority, self.known)


def _words(pattern: str) -> re.Pattern[str]:
    return re.compile(rf"\b(?:{pattern})", re.IGNORECASE)


#: Parts for which heat, acid or blasting can take strength away with nothing to be seen.
STOP_LIST: Final[tuple[StopClass, ...]] = (
    StopClass(
        "Gas, scuba and oxygen cylinders",
        "heat, even that of an ordinary powder cure, can mean that an aluminium cylinder must be condemned",
        "US DOT, 49 CFR 180.205(i); CGA C-6.1",
        "read",
        _words(r"(?:gas|scuba|oxygen|diving|pressure) (?:cylinder|bottle)|scuba|pressure vessel|air (?:receiver|tank)"),
    ),
    StopClass(
        "Aircraft parts",
        "worked on only by the maker's data; heat may alter heat-treated parts, and a coating can hide cracks",
        "FAA; the maker of the aircraft",
        "read, in part as quoted by others",
        _words(r"aircraft|aviation|aerospace|airframe|helicopter|landing gear"),
    ),
    StopClass(
        "Lifting chain, hooks and slings",
        "heat takes away working load for good",
        "US OSHA, 29 CFR 1910.184(e)(6); ASME B30.9",
        "read",
        _words(
            r"(?:lifting|hoist|sling|crane)\w* (?:chain|hook|eye|lug|beam|ring)|sling|shackle|eye ?bolt|grade (?:80|100)\b"
        ),
    ),
    StopClass(
        "Aluminium wheels",
        "repeated heat can over-age the alloy; only alloy, temper and maker can answer",
        "the maker of the wheel",
        "read, in a trade discussion with handbook data",
        _words(r"(?:alumin\w*|alloy|cast|forged|road|car|motorcycle)[ -]wheels?\b|wheel rims?\b|rims?\b"),
    ),
    StopClass(
        "High-strength steel, springs and hardened fasteners",
        "acid and cleaning put hydrogen into the steel, which may break later without warning",
        "ASTM B849 and B850; ISO 9588",
        "read",
        _words(r"springs?\b|high[- ]strength|hardened|(?:10|12)\.9\b"),
    ),
    StopClass(
        "Magnesium, brake, steering and suspension parts, roll-over protection, seat-belt anchors, pressure parts",
        "fire, loss of strength, or the law",
        "the maker of the part; the regulator",
        "from memory",
        _words(
            r"magnesium|brakes?\b|brake|steering|suspension|control arm|roll[- ]?(?:over|cage|bar)|rops\b|seat[- ]?belt|"
            r"tow ?(?:bar|hook|hitch)"
        ),
    ),
)


def stop_classes(*texts: str | None) -> tuple[StopClass, ...]:
    """Return the classes of the stop list that the words of *texts* point to."""
    joined = " / ".join(text for text in texts if text)
    return tuple(entry for entry in STOP_LIST if entry.words.search(joined))


def strip_cautions(substrate: str) -> tuple[Caution, ...]:
    """Return all cautions that go with an advice to strip: by substrate first, then the usual ones, then the stop list."""
    return (
        *(entry.caution for entry in BY_SUBSTRATE if entry.words.search(substrate)),
        *STRIPPING,
        *(entry.as_caution() for entry in STOP_LIST),
    )
