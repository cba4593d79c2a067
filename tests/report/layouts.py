"""The layouts that reference pictures are kept of: from one location to two hundred, in more than one language."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from report.assessing import judge
from report.certificate import Draft, draft
from report.evidence import Drawing, Evidence, IssueFacts
from report.page_look import page_look
from schemas.customer import Customer
from schemas.job import Job
from schemas.units import Unit
from tests.report import scenario

SHOP_FOLDER: Final = Path(__file__).parents[2] / "sample_captures" / "shop"
_LONG_PLACES: Final = [
    name.ljust(60, end)
    for name, end in (
        ("upper rim of the outer sheet, beside the lettering, left ", "x"),
        ("inner corner below the second hinge, seen from the yard ", "y"),
        ("flange of the drip edge, where the gasket will be seated ", "z"),
    )
] + ["W" * 60, "i" * 60, "Nahtübergangsflankenwinkelverstärkungsblechkantenunterseite"]
_LONG_CUSTOMER: Final = ("Fenwick, Oldroyd and Daughters Cabinets of the Northern Quay, " * 3)[:145] + "Gates"


def twelve_by_five() -> Draft:
    """Return the certificate that most lots get."""
    return _made(scenario.evidence())


def sixty_by_fifteen() -> Draft:
    """Return sixty locations of fifteen readings."""
    return _made(_grid(60, 15))


def one_location() -> Draft:
    """Return the smallest certificate."""
    return _made(scenario.evidence(scenario.job(["Front face"])))


def two_hundred_locations() -> Draft:
    """Return two hundred locations of one reading."""
    return _made(_grid(200, 1))


def two_thousand_readings() -> Draft:
    """Return twenty locations of a hundred readings, on five pieces, with readings that were left out."""
    of = _grid(20, 100, planned=19)
    readings = tuple(
        dataclasses.replace(
            r,
            piece=str((r.reading_no - 1) % 100 // 20 + 1),
            counted=r.reading_no % 50 != 7,
            excluded_reason=None if r.reading_no % 50 != 7 else "probe slipped off the rim while the figure was held",
            excluded_by=None if r.reading_no % 50 != 7 else "TOM",
        )
        for r in of.readings
    )
    inspection = dataclasses.replace(of.inspection, pieces_measured=5, readings_counted=1960, readings_excluded=40)
    return _made(dataclasses.replace(of, readings=readings, inspection=inspection))


def long_names() -> Draft:
    """Return names at the limit of what a job takes, and text without a place to break."""
    job = scenario.job(
        _LONG_PLACES,
        title="Cabinet door, left, with the strengthened flange of the revised drawing and both of its hinges, see note 4",
        customer=_LONG_CUSTOMER,
        customer_address="Dock Road 12, entrance by the weighbridge, second yard behind the boat hall, Northaven on the Sound",
        part_no="FC-1180-L/" + "0123456789" * 4,
        specification="drawing FC-1180-L, note 4, as changed by the letter of 2 March and the table that came with it",
    )
    shop = scenario.shop(
        name="Marlowe Lane Powder Works and Metal Finishing Company of Eastfold, formerly Tully and Sons",
        address="7 Marlowe Lane, behind the old rope walk, Eastfold under Hill, Lower Marsh District",
    )
    checks = [
        dataclasses.replace(c, standard_id=f"{c.standard_id}/" + "A1B2C3D4" * 4)
        for c in scenario.opening() + scenario.closing()
    ]
    inspection = {
        "purchase_order": "PO-" + "4471" * 15,
        "lot": "L-2231 of the second delivery, crates 4 to 9",
        "notes_json": json.dumps([{"at": None, "by": "IDA", "what": "hanger mark " + "on the latch side, " * 12}]),
    }
    return _made(scenario.evidence(job, shop, checks=checks, inspection=inspection))


def bare() -> Draft:
    """Return a certificate whose every optional line and block is empty."""
    job = scenario.job(
        ["face", "back"],
        customer_address=None,
        part_revision=None,
        pretreatment=None,
        powder=None,
        location=[
            {"name": name, "role": "other", "lower": Decimal(60), "spots": 1, "readings_per_spot": 1}
            for name in ("face", "back")
        ],
    )
    empty = {"powder": "", "powder_batch": None, "rack": None, "lot_size": None, "purchase_order": None}
    inspection = {"lot_size": None, "purchase_order": None, "work_order": None, "part_revision": None}
    of = scenario.evidence(
        job,
        scenario.shop(contact=None),
        shown=[["72"], ["81"]],
        checks=[],
        inspection=inspection,
        reading=dict.fromkeys((1, 2), empty),
    )
    return draft(of, judge(of), scenario.facts(), page_look(of))


def failing() -> Draft:
    """Return a part that fails, with what can be done and its cautions, its drawing, and two further places to sign."""
    shown = scenario.figures(12, 5)
    shown[0][2], shown[4][1], shown[7] = "131.5", "127.0", ["48.5", "51.0", "49.5", "47.0", "52.5"]
    out = {"counted": False, "excluded_reason": "probe slipped", "excluded_by": "IDA"}
    other = [
        {"line_no": 9, "source": "typed", "at": "2026-03-04T13:06:00+00:00", "text": "\x1bLOW", "why": "battery low"}
    ]
    job = _pointed(
        scenario.job(drawing="gate-leaf.svg", rule={"name": "every-reading"}, decision={"rule": "guard-band"})
    )
    of = scenario.evidence(
        job,
        scenario.shop(name="Tannery Lane Powder Works", certificate={"logo": "logo.svg", "colour": "#5a2a2a"}),
        shown=shown,
        inspection={"other_lines_json": json.dumps(other)},
        reading={13: out, 48: out},
    )
    customer = Customer(
        name=job.customer,
        contact="Goods inwards",
        approvals=("Quality manager", "Customer's representative"),
        document_type="3.2",
        statement="Made to the order's quality plan FC-9.",
    )
    of = dataclasses.replace(of, drawing=_leaf(), customer=customer)
    facts = _facts(
        document_type="3.2",
        deviation="Two readings were taken before the part had cooled to the temperature of the gauge.",
        deviation_by="TOM",
        supersedes=1,
        revision=2,
        superseded_why="the closing check was missing",
    )
    return _made(of, facts)


def mil_on_letter() -> Draft:
    """Return an order in mil, on Letter, in French, with the means in µm besides and with a logo."""
    job = _pointed(scenario.job(unit="mil", drawing="gate-leaf.svg"), 3)
    of = scenario.evidence(job, scenario.shop(name="Tannery Lane Powder Works", certificate={"logo": "logo.svg"}))
    customer = Customer(
        name=job.customer, contact="Réception", language="fr", page="Letter", also_in=Unit.UM, approvals=("Client",)
    )
    return _made(dataclasses.replace(of, drawing=_leaf(), customer=customer))


def undecided_in_german() -> Draft:
    """Return a certificate in German on which the gauge was not shown to be right, as a draft."""
    checks = scenario.opening() + scenario.closing(error="9.0", within=False)
    of = scenario.evidence(scenario.job(decision={"rule": "four-way"}), checks=checks)
    customer = Customer(name=of.job.customer, language="de", also_in=Unit.MIL, approvals=("Qualitätsleitung",))
    of = dataclasses.replace(of, customer=customer)
    return _made(of, is_draft=True)


def many_points() -> Draft:
    """Return a hundred and twenty locations on one drawing."""
    of = _grid(120, 1)
    of = dataclasses.replace(of, job=_pointed(of.job.model_copy(update={"drawing": "gate-leaf.svg"}), 120))
    return _made(dataclasses.replace(of, drawing=_leaf()))


#: The layouts by name.
LAYOUTS: Final[dict[str, Callable[[], Draft]]] = {
    "12x5": twelve_by_five,
    "60x15": sixty_by_fifteen,
    "one-location": one_location,
    "200-locations": two_hundred_locations,
    "2000-readings": two_thousand_readings,
    "long-names": long_names,
    "bare": bare,
    "failing": failing,
    "mil-letter-french": mil_on_letter,
    "undecided-german": undecided_in_german,
    "120-points": many_points,
}


def _grid(places: int, each: int, planned: int | None = None) -> Evidence:
    """Return *places* locations of *each* readings, with the closing check behind the last of them.

    Args:
        places: How many locations.
        each: How many readings at each.
        planned: How many the plan asks for on a piece; as many as there are where it is left out.
    """
    job = scenario.job(_numbered(places))
    located = tuple(place.model_copy(update={"readings_per_spot": planned or each}) for place in job.location)
    last = scenario.BEGAN + timedelta(seconds=11 * places * each)
    return scenario.evidence(
        job.model_copy(update={"location": located}),
        shown=scenario.figures(places, each),
        checks=scenario.opening() + scenario.closing(last + timedelta(minutes=4)),
    )


def _made(of: Evidence, facts: IssueFacts | None = None, *, is_draft: bool = False) -> Draft:
    logo = None if of.shop.certificate.logo is None else (SHOP_FOLDER / "logo.svg").read_bytes()
    return draft(of, judge(of), facts or _facts(), page_look(of, logo), is_draft=is_draft)


def _facts(**changes: Any) -> IssueFacts:
    return scenario.facts(
        packing_slip="LS 8812", quantity=40, received_on=(scenario.ISSUED - timedelta(3)).date(), **changes
    )


def _numbered(count: int) -> list[str]:
    return [f"Location {n}" for n in range(1, count + 1)]


def _leaf() -> Drawing:
    return Drawing("svg", (SHOP_FOLDER / "drawings" / "gate-leaf.svg").read_bytes())


def _pointed(job: Job, count: int = 12) -> Job:
    """Return *job* with *count* of its locations on the drawing, spread over it."""
    places = []
    for n, place in enumerate(job.location):
        x, y = (n * 618 % 1000 * 9 // 10 + 50, (2 * n + 1) * 450 // count + 50) if n < count else (0, 0)
        point = (Decimal(x) / 1000, Decimal(y) / 1000) if n < count else None
        places.append(place.model_copy(update={"point": point}))
    return job.model_copy(update={"location": tuple(places)})
