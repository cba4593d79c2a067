"""customers/NAME.toml: how one customer wants its certificates, and what has to be on them."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from schemas.model import Model, Text
from schemas.units import Unit
from schemas.vocabulary import DateStyle, Demand, Language

#: So many places for a further signature fit beside the release.
MOST_APPROVALS: Final = 2


class Customer(Model):
    """A customer file. What it leaves out is as the shop does it."""

    name: Text = Field(description="The customer's name as the jobs have it.")
    contact: Text | None = Field(None, description="Whom the certificate is for; printed.")
    language: Language | None = Field(None, description="Language of the certificate.")
    decimal_mark: Annotated[str, Field(pattern=r"^[.,]$")] | None = Field(
        None, description="How numbers are printed; left out, as the language does."
    )
    dates: DateStyle | None = Field(None, description="How days are printed; left out, as the language does.")
    page: Annotated[str, Field(pattern=r"^(A4|Letter)$")] | None = None
    also_in: Unit | None = Field(
        None, description="Print means in this unit as well, for information: conformity is decided in the job's."
    )
    document_type: Literal["3.1", "3.2"] | None = Field(
        None,
        description="Type of inspection certificate by EN 10204 that the order asks for; given only where its conditions hold.",
    )
    demands: tuple[Demand, ...] = Field(
        (), description="What a certificate must state; where one is missing, none is made."
    )
    approvals: Annotated[tuple[Text, ...], Field(max_length=MOST_APPROVALS)] = Field(
        (), description="Who signs besides whoever releases, such as a quality manager; each gets a place on the page."
    )
    advice: bool = Field(
        True,
        description="Print what can be done with what misses, with its cautions; the shop's own screen always says it.",
    )
    statement: Text | None = Field(None, description="A sentence that the customer wants printed.")

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        for what, given in (("demands", self.demands), ("approvals", self.approvals)):
            twice = next((g for g in given if given.count(g) > 1), None)
            if twice is not None:
                raise ValueError(f"{what}: {str(twice)!r} stands twice; take one out")
        if self.document_type == "3.2" and not self.approvals:
            raise ValueError(
                'document_type "3.2" is signed by the customer\'s representative or an official inspector as well; '
                "name that place in approvals"
            )
        return self
