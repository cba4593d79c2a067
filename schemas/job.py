"""jobs/NAME.toml: one part number with its locations, limits and rule."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field, ValidationInfo, model_validator

from schemas.model import Exact, Model, PictureName, Text, Thickness
from schemas.units import Unit
from schemas.vocabulary import (
    Appearance,
    CoatStage,
    DecisionRule,
    Feature,
    Level,
    ProbeMode,
    Role,
    RuleName,
    Scheme,
)

Share = Annotated[Exact, Field(ge=0, le=2)]
Area = Annotated[Exact, Field(gt=0)]


#: Keys that one rule alone looks at.
_KEYS_OF_RULES: Final = {
    "level": (RuleName.SSPC_PA2.value,),
    "wording": (RuleName.ARCHITECTURAL_ALUMINIUM.value,),
    "floor": (RuleName.ARCHITECTURAL_ALUMINIUM.value,),
    "coated_area_m2": (RuleName.SSPC_PA2.value, RuleName.ISO_19840.value),
    "roughness_correction_um": (RuleName.ISO_19840.value,),
}


class Rule(Model):
    """The acceptance rule that the order names."""

    name: RuleName
    edition: Text | None = Field(
        None, description="Edition of the standard as the order states it; printed, not checked."
    )
    level: Annotated[int, Field(ge=1, le=5)] = Field(3, description="SSPC-PA 2 level; used by that rule alone.")
    coated_area_m2: Area | None = Field(
        None, description="Coated area, from which SSPC-PA 2 and ISO 19840 say how much is to be measured."
    )
    coated_area_ft2: Area | None = Field(
        None, description="The same in ft², where the order counts so; SSPC-PA 2 alone has counts of its own for ft²."
    )
    wording: Literal["none-below-floor", "five-percent-below-floor"] = Field(
        "none-below-floor",
        description="architectural-aluminium: which of the two wordings in circulation the order means.",
    )
    floor: Annotated[Thickness, Field(gt=0)] | None = Field(
        None,
        description="architectural-aluminium: the floor, in the unit of the job; 85 % of the lower limit where it is left out.",
    )
    mean_at_least: Share | None = Field(
        None, description="shop-rule: the mean of a location is at least this share of the lower limit."
    )
    each_at_least: Share | None = Field(
        None, description="shop-rule: every reading is at least this share of the lower limit."
    )
    at_most_below: Annotated[Exact, Field(ge=0, lt=1)] | None = Field(
        None, description="shop-rule: at most this share of the readings lies below the lower limit."
    )
    each_at_most: Annotated[Exact, Field(gt=0, le=10)] | None = Field(
        None, description="shop-rule: every reading is at most this share of the upper limit."
    )
    comparison: Literal["absolute", "rounding"] = Field(
        "absolute",
        description="How a number is compared with a limit (ASTM E29): as it is, or rounded to the last place of the limit.",
    )
    tie: Literal["even", "up"] = Field(
        "even",
        description="Rounding: a number midway goes to the even last digit (ISO 80000-1 rule A, ASTM E29) or up (rule B).",
    )
    roughness_correction_um: Annotated[Exact, Field(ge=0, le=100)] = Field(
        Decimal(0), description="ISO 19840: subtracted from each reading taken on a blasted surface, in µm."
    )

    @model_validator(mode="before")
    @classmethod
    def _says_nothing_in_vain(cls, content: Any, info: ValidationInfo) -> Any:
        """Refuse a key, in a file that a person wrote, that the rule named does not look at."""
        if isinstance(content, dict) and info.context:
            for key, rules in _KEYS_OF_RULES.items():
                if key in content and content.get("name") not in rules:
                    raise ValueError(
                        f"{key} belongs to {' and '.join(rules)}; rule {content.get('name')} does not look at it"
                    )
        return content

    @model_validator(mode="after")
    def _asks_something(self) -> Self:
        pieces = (self.mean_at_least, self.each_at_least, self.at_most_below, self.each_at_most)
        if self.name is RuleName.SHOP_RULE and all(piece is None for piece in pieces):
            raise ValueError(
                "shop-rule asks nothing; give one or more of mean_at_least, each_at_least, at_most_below, each_at_most"
            )
        if self.name is not RuleName.SHOP_RULE and any(piece is not None for piece in pieces):
            raise ValueError("mean_at_least, each_at_least, at_most_below and each_at_most belong to shop-rule alone")
        if self.coated_area_ft2 is not None and self.name is not RuleName.SSPC_PA2:
            raise ValueError("coated_area_ft2 belongs to sspc-pa2 alone; give coated_area_m2")
        if self.coated_area_ft2 is not None and self.coated_area_m2 is not None:
            raise ValueError(
                "coated_area_m2 and coated_area_ft2 are both given; give the one that the order counts in (SSPC-PA 2 converts neither)"
            )
        if self.tie != "even" and self.comparison != "rounding":
            raise ValueError('tie belongs to comparison = "rounding"')
        return self


class DecisionTerms(Model):
    """How measurement uncertainty enters the decision; agreed with the customer before measuring."""

    rule: DecisionRule = DecisionRule.SIMPLE
    guard_factor: Annotated[Exact, Field(ge=0, le=3)] = Field(
        Decimal(1), description="r of the guard band w = r·U; used by guard-band and four-way."
    )
    coverage: Annotated[Exact, Field(gt=0, lt=1)] = Field(
        Decimal("0.95"), description="Probability that the expanded uncertainty covers."
    )


class Sampling(Model):
    """How many pieces of a lot are measured, and what their verdicts make of the lot."""

    scheme: Scheme = Field(description="Where the plan comes from.")
    level: Level = Field(Level.II, description="attributes: inspection level.")
    aql: Annotated[Exact, Field(gt=0, le=15)] | None = Field(
        None, description="attributes, variables: acceptable quality limit, in percent."
    )
    letter: Annotated[str, Field(pattern=r"^[B-M]$")] | None = Field(
        None,
        description="variables: code letter of MIL-STD-414, which the order names; its table of lot sizes is not held.",
    )
    reduced: bool = Field(
        False, description="attributes: reduced inspection is wanted once the switching rules allow it."
    )
    resumed_on: date | None = Field(
        None,
        description="attributes: day from which inspection resumes after acceptance was stopped, the cause being put right.",
    )
    absorb_below_floor: bool = Field(
        False,
        description="architectural-label: a piece with a value under 80 % of the minimum counts among the rejected pieces "
        "that the table allows, instead of rejecting the lot.",
    )

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        if self.scheme is Scheme.ATTRIBUTES and self.aql is None:
            raise ValueError("sampling by attributes needs aql, the acceptable quality limit in percent")
        if self.scheme is Scheme.VARIABLES and (self.aql is None or self.letter is None):
            raise ValueError("sampling by variables needs letter, the code letter of MIL-STD-414, and aql in percent")
        if self.scheme not in (Scheme.ATTRIBUTES, Scheme.VARIABLES) and self.aql is not None:
            raise ValueError(f"aql does not belong to sampling by {self.scheme}")
        if self.letter is not None and self.scheme is not Scheme.VARIABLES:
            raise ValueError(f"letter does not belong to sampling by {self.scheme}; attributes finds its own")
        if self.reduced and self.scheme is not Scheme.ATTRIBUTES:
            raise ValueError(f"reduced does not belong to sampling by {self.scheme}")
        if self.absorb_below_floor and self.scheme is not Scheme.LABEL:
            raise ValueError(f"absorb_below_floor does not belong to sampling by {self.scheme}")
        return self


class Fit(Model):
    """A feature that something has to fit: what the film does to it, in the unit of the job."""

    feature: Feature = Field(description="hole, shaft or thread.")
    may_change: Annotated[Thickness, Field(gt=0)] = Field(
        description="By how much the drawing lets the diameter (of a thread: the pitch diameter) change, in the unit of the job."
    )


class Location(Model):
    """A named place on the part, with its own limits, in the unit of the job."""

    name: Annotated[Text, Field(max_length=60, pattern=r"^[^@#]")]
    role: Role = Role.VISIBLE
    lower: Annotated[Thickness, Field(ge=0)] | None = Field(None, description="What may be shipped at the least.")
    target_low: Annotated[Thickness, Field(ge=0)] | None = Field(
        None, description="What is aimed at; never decides conformity."
    )
    target_high: Annotated[Thickness, Field(ge=0)] | None = None
    upper: Annotated[Thickness, Field(ge=0)] | None = Field(None, description="What may be shipped at the most.")
    spots: Annotated[int, Field(ge=1, le=1000)] = 1
    readings_per_spot: Annotated[int, Field(ge=1, le=1000)] = 1
    fit: Fit | None = Field(None, description="What has to fit here, and how much room the drawing leaves for film.")
    point: tuple[Exact, Exact] | None = Field(
        None, description="Place on the drawing: fractions of its width and height from top left."
    )

    @model_validator(mode="after")
    def _limits_stand_in_order(self) -> Self:
        if self.lower is None and self.upper is None:
            raise ValueError("neither lower nor upper is given; give the limit that the order names")
        ladder = ("lower", "target_low", "target_high", "upper")
        given = [(name, value) for name in ladder if (value := getattr(self, name)) is not None]
        for (name, value), (next_name, next_value) in pairwise(given):
            if value > next_value:
                raise ValueError(f"{name} {value} is above {next_name} {next_value}; limits are reversed, swap them")
        return self

    @property
    def planned(self) -> int:
        """Return how many readings one piece asks for here."""
        return self.spots * self.readings_per_spot


class Recoat(Model):
    """What a second coat adds and what the product data sheet allows, in the unit of the job."""

    added_low: Annotated[Thickness, Field(gt=0)] | None = Field(
        None,
        description="Least that a recoat adds. The archive's own history of this part takes its place once it holds enough.",
    )
    added_high: Annotated[Thickness, Field(gt=0)] | None = Field(None, description="Most that a recoat adds.")
    sheet_max_total: Annotated[Thickness, Field(gt=0)] | None = Field(
        None, description="Most total film that the data sheet allows."
    )
    max_coats: Annotated[int, Field(ge=1, le=9)] = Field(
        2, description="Coats after which the shop strips instead (common practice: 2, no source)."
    )
    data_sheet: Text | None = Field(None, description="Which data sheet, with its revision.")

    @model_validator(mode="after")
    def _range_stands_in_order(self) -> Self:
        if (self.added_low is None) != (self.added_high is None):
            raise ValueError("added_low and added_high go together; give both, or neither and let the archive say")
        if self.added_low is not None and self.added_high is not None and self.added_low > self.added_high:
            raise ValueError(f"added_low {self.added_low} is above added_high {self.added_high}; swap them")
        return self


class Job(Model):
    """A job file."""

    title: Text = Field(description="What the part is.")
    customer: Text
    customer_address: Text | None = None
    part_no: Text
    part_revision: Text | None = None
    substrate: Text = Field(description="The metal and its preparation.")
    probe_mode: ProbeMode
    blasted: bool = Field(False, description="Blasted metal: base metal readings are asked for.")
    base_reading: bool = Field(
        False, description="Something is read first and subtracted: blasted metal, zinc, or an earlier coat."
    )
    base_is: Literal["bare", "zinc", "earlier-coat"] | None = Field(
        None, description="What is read first; where it is left out, bare metal if blasted and else zinc."
    )
    pretreatment: Text | None = None
    powder: Text | None = None
    specification: Text | None = Field(None, description="What the order cites: drawing, standard, clause.")
    unit: Unit = Field(description="Unit of the specification; conformity is decided in it.")
    rule: Rule
    sampling: Sampling | None = Field(
        None, description="How the lot is sampled; left out, the certificate speaks of the pieces measured alone."
    )
    decision: DecisionTerms = DecisionTerms()
    location: Annotated[tuple[Location, ...], Field(min_length=1, max_length=500)]
    recoat: Recoat | None = None
    safety_class: Text | None = Field(
        None, description="What makes the part safety-critical; any rework then needs its owner's word."
    )
    appearance: Appearance | None = Field(
        None, description="Appearance class; a second coat shows in some more than in others."
    )
    chrome_look: bool = Field(False, description="Chrome-look base under a clear coat.")
    drawing: PictureName | None = Field(
        None,
        description="Drawing of the part, an SVG or PNG file in the shop folder's drawings; see point of a location.",
    )
    retention_years: Annotated[int, Field(ge=1, le=100)] = 10

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        seen: set[str] = set()
        for place in self.location:
            if place.name.casefold() in seen:
                raise ValueError(f"location {place.name!r} stands twice; give each its own name")
            seen.add(place.name.casefold())
        corrected = self.rule.name is RuleName.ISO_19840 and self.rule.roughness_correction_um > 0
        if self.blasted and not self.base_reading and not corrected:
            raise ValueError(
                "blasted is true but base_reading is not; set base_reading = true and read the blasted metal first"
            )
        if self.base_is is not None and not self.base_reading:
            raise ValueError("base_is is given but base_reading is not; set base_reading = true, or take base_is out")
        if self.blasted and self.base_is not in (None, "bare"):
            raise ValueError(f"blasted is true, so what is read first is the bare metal and not {self.base_is}")
        if self.chrome_look and self.appearance not in (None, Appearance.CHROME_LOOK):
            raise ValueError(f"chrome_look is true, and appearance says {self.appearance}; which of the two is it?")
        self._fits_the_rule()
        if self.rule.name is RuleName.ARCHITECTURAL_LABEL:
            self._has_enough_measuring_areas()
        return self

    @model_validator(mode="after")
    def _contradicts_nothing(self, info: ValidationInfo) -> Self:
        """Refuse, in a file that a person wrote, what an earlier edition took: a job that was sealed is read as it stands."""
        if not info.context:
            return self
        sampling, rule = self.sampling, self.rule
        if sampling is not None and sampling.scheme is Scheme.LABEL and rule.name is not RuleName.ARCHITECTURAL_LABEL:
            raise ValueError(
                f"sampling by the architectural label's lot table needs rule architectural-label, which looks at 80 % of the "
                f"minimum; rule {rule.name} does not"
            )
        for place in self.location:
            if place.point is not None and any(not 0 <= share <= 1 for share in place.point):
                raise ValueError(
                    f"location {place.name!r}: point is given in fractions of the drawing's width and height, from 0 to 1"
                )
            if rule.name is RuleName.SSPC_PA2 and place.lower is None:
                raise ValueError(
                    f"location {place.name!r}: rule sspc-pa2 needs lower; a single value without a maximum is the minimum"
                )
            self._leaves_room(place)
        return self

    def _leaves_room(self, place: Location) -> None:
        """Refuse limits that contradict the fit, the data sheet or the rule of the very same job."""
        here = f"location {place.name!r}"
        if place.fit is not None:
            film = place.fit.may_change / (4 if place.fit.feature is Feature.THREAD else 2)
            if place.lower is not None and place.lower > film:
                raise ValueError(
                    f"{here}: lower {place.lower} does not fit: may_change leaves room for a film of {film.normalize():f} "
                    f"{self.unit.symbol} (a hole or shaft changes by twice the film, a 60° thread's pitch diameter by four times)"
                )
        total = None if self.recoat is None else self.recoat.sheet_max_total
        if total is not None and place.lower is not None and place.lower > total and place.role is not Role.MASKED:
            raise ValueError(
                f"{here}: lower {place.lower} is above recoat.sheet_max_total {total}; the data sheet allows no such film"
            )
        rule = self.rule
        if rule.floor is not None and place.lower is not None and rule.floor > place.lower:
            raise ValueError(f"{here}: rule.floor {rule.floor} is above nominal, lower {place.lower}; swap them")
        if place.lower is not None and place.upper is not None and rule.each_at_most is not None:
            most = place.upper * rule.each_at_most
            for key in ("mean_at_least", "each_at_least"):
                share = getattr(rule, key)
                if share is not None and place.lower * share > most:
                    raise ValueError(
                        f"{here}: {key} asks for more than each_at_most allows, {most.normalize():f}; nothing could pass"
                    )

    def _fits_the_rule(self) -> None:
        """Refuse a plan that its own rule could never pass.

        SSPC-PA 2: five spots an area, three readings a spot at least (cl. 8.1, 8.2). Architectural
        label: five measuring areas of three to five readings each (from memory). ISO 19840: a
        nominal film build, here the lower limit.
        """
        for place in self.location:
            here = f"location {place.name!r}"
            if self.rule.name is RuleName.SSPC_PA2 and (place.spots < 5 or place.readings_per_spot < 3):
                raise ValueError(f"{here}: rule sspc-pa2 needs spots of 5 and readings_per_spot of 3 at the least")
            if self.rule.name is RuleName.SSPC_PA2_EXTENT and (place.spots < 2 or place.readings_per_spot < 3):
                raise ValueError(
                    f"{here}: rule sspc-pa2-extent needs spots, the steps that can be taken in this direction, of 2 "
                    "and readings_per_spot of 3 at the least"
                )
            if self.rule.name is RuleName.ARCHITECTURAL_LABEL and place.lower is None:
                raise ValueError(f"{here}: rule architectural-label needs lower, the minimum that the label asks for")
            if self.rule.name is RuleName.ARCHITECTURAL_LABEL and not 3 <= place.readings_per_spot <= 5:
                raise ValueError(f"{here}: rule architectural-label needs readings_per_spot from 3 to 5")
            if self.rule.name in (RuleName.ARCHITECTURAL_ALUMINIUM, RuleName.NINETY_TEN) and place.lower is None:
                raise ValueError(f"{here}: rule {self.rule.name} needs lower, the nominal film build")
            needs_lower = (self.rule.mean_at_least, self.rule.each_at_least, self.rule.at_most_below)
            if any(piece is not None for piece in needs_lower) and place.lower is None:
                raise ValueError(f"{here}: this shop-rule needs lower")
            if self.rule.each_at_most is not None and place.upper is None:
                raise ValueError(f"{here}: this shop-rule needs upper")
            if self.rule.name is RuleName.ISO_19840 and (place.lower is None or place.upper is None):
                raise ValueError(f"{here}: rule iso-19840 needs lower, the nominal film build, and upper, its maximum")

    def _has_enough_measuring_areas(self) -> None:
        """The label judges at least five measuring areas that share one minimum (from memory)."""
        areas: dict[Decimal | None, int] = {}
        for place in self.location:
            areas[place.lower] = areas.get(place.lower, 0) + place.spots
        for lower, count in areas.items():
            if count < 5:
                raise ValueError(
                    f"rule architectural-label needs five measuring areas; with lower {lower} there are {count}, raise spots"
                )

    @property
    def read_first(self) -> CoatStage:
        """Return what is under the readings before coating, where the job asks for such."""
        if self.base_is is not None:
            return CoatStage(self.base_is)
        return CoatStage.BARE if self.blasted else CoatStage.ZINC

    @property
    def looks_like_chrome(self) -> bool:
        """Return whether this is a chrome-look base under a clear coat."""
        return self.chrome_look or self.appearance is Appearance.CHROME_LOOK

    def find(self, name: str) -> Location | None:
        """Return the location called *name*, whatever its case, or None."""
        wanted = name.strip().casefold()
        return next((place for place in self.location if place.name.casefold() == wanted), None)
