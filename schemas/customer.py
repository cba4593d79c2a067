"""customers/NAME.toml: how one customer wants its certificates, and what has to be on them."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import Field, ValidationInfo, model_validator

from schemas.model import Model, Text, by_hand
from schemas.units import Unit
from schemas.vocabulary import DateStyle, Demand, Language

#: So many places for a further signature fit beside the release.
MOST_APPROVALS: Final = 2


class Retention(Model):
    """How long a customer wants the readings of its parts to be kept."""

    years: Annotated[int, Field(ge=1, le=100)] = Field(
        description="Whole years from the sealing, or from the issue of the last certificate where that is later. The "
        "longer of these and the job's retention_years holds."
    )


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
    further_party: Text | None = Field(
        None,
        description="Which of approvals is the place of the purchaser's representative or of an official inspector, for type "
        "3.2 by EN 10204; nobody of the shop signs there.",
    )
    statement: Text | None = Field(None, description="A sentence that the customer wants printed.")
    retention: Retention | None = Field(
        None, description="How long readings are kept; left out, as long as the job says. Nothing is removed by itself."
    )

    @model_validator(mode="after")
    def _holds_together(self, info: ValidationInfo) -> Self:
        labels = [plain_label(label) for label in self.approvals] if by_hand(info) else list(self.approvals)
        for what, given, compared in (("demands", self.demands, self.demands), ("approvals", self.approvals, labels)):
            twice = next((g for g, c in zip(given, compared, strict=True) if compared.count(c) > 1), None)
            if twice is not None:
                raise ValueError(f"{what}: {str(twice)!r} stands twice; take one out")
        if self.document_type == "3.2" and not self.approvals:
            raise ValueError(
                'document_type "3.2" is signed by the customer\'s representative or an official inspector as well; '
                "name that place in approvals"
            )
        if self.document_type == "3.2" and self.further_party is None and by_hand(info):
            raise ValueError(
                'document_type "3.2" is signed by the customer\'s representative or an official inspector as well; '
                f"say with further_party which place is theirs: {_listed(self.approvals)}"
            )
        if self.further_party is not None and self.further_party not in self.approvals:
            raise ValueError(
                f"further_party {self.further_party!r} is none of approvals; name one of them, as it stands there"
            )
        return self


def plain_label(label: str) -> str:
    """Return *label* as two that name the same place are compared: without case, and with single blanks."""
    return " ".join(label.casefold().split())


def _listed(labels: tuple[str, ...]) -> str:
    return " or ".join(repr(label) for label in labels)
