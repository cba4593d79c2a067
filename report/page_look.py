"""What a certificate's pages look like beside what they say: the shop's colour and logo, and the part's drawing."""

from __future__ import annotations

from dataclasses import dataclass

from report.evidence import Evidence
from report.outside_pictures import OutsidePicture, picture_of


@dataclass(frozen=True, slots=True)
class PageLook:
    """Colour and pictures.

    Attributes:
        colour: Of the rules between sections, as #rrggbb.
        logo: The shop's; None where it has none.
        drawing: The part's; None where the job names none.
    """

    colour: str
    logo: OutsidePicture | None
    drawing: OutsidePicture | None

    def files(self) -> dict[str, bytes]:
        """Return the pictures that the page fetches, by name."""
        return {name: content for p in (self.logo, self.drawing) if p is not None for name, content in p.assets.items()}


def page_look(evidence: Evidence, logo: bytes | None = None) -> PageLook:
    """Return the look of the certificate of *evidence*.

    Args:
        evidence: What it is made from, with the drawing.
        logo: The file that shop.toml names as logo.

    Raises:
        BadInput: A picture holds what is not taken; the sentence says what and where.
    """
    look, job = evidence.shop.certificate, evidence.job
    return PageLook(
        colour=look.colour,
        logo=None if logo is None else picture_of(logo, look.logo or "logo"),
        drawing=None
        if evidence.drawing is None
        else picture_of(evidence.drawing.content, f"drawings/{job.drawing or evidence.drawing.ending}"),
    )
