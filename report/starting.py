"""A starter shop folder: files that load as they are, with what is to be replaced marked."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

from schemas.errors import BadInput

_PROFILES: Final = Path(__file__).parents[1] / "sample_captures" / "shop" / "profiles"

_SHOP: Final = """\
# Your shop. Replace what stands in quotes; the keys and what they allow: shop.schema.json in filmtally's schemas folder.
name = "New Powder Works"
address = "1 First Street, Anytown"
code = "NPW"                  # starts every certificate number: 2 to 8 capital letters or digits
time_zone = "UTC"             # such as "Europe/Berlin" or "America/Chicago"
page = "A4"                   # or "Letter"

# [certificate]               # how your certificates look
# language = "en"             # or "de", "fr", "es"; a customer's own file may say otherwise
# logo = "logo.svg"           # SVG or PNG in this folder
# colour = "#1d4e6b"

[verification]                # how you show that a gauge is right
max_age_hours = 12            # how old the last verification may be when a reading is taken
closing_required = true       # nothing is certified before the check after the readings
bracket_limits = true         # the standards must lie at or beyond a location's limits on both sides
readings_per_standard = 3
tolerance_rule = "root-sum-square"

[[gauge]]
serial = "G-1"
probe_modes = ["magnetic"]    # and "eddy-current" where it has both
calibration_certificate = "number of the laboratory's certificate"
calibrated_by = "name of the laboratory"
calibrated_on = {calibrated_on}
calibration_due = {due}
accuracy_um = 1.0             # from the maker's accuracy statement: this much ...
accuracy_percent = 1          # ... plus this share of the thickness
profile = "plain-number"      # how it writes a line: a file in profiles/

[[standard]]                  # a zero plate is a standard of 0 µm
serial = "Z-0"
certified_um = 0
expanded_u_um = 0.3
certificate = "number of its certificate"
due = {due}

[[standard]]
serial = "S-130"
certified_um = 129.6
expanded_u_um = 0.9
certificate = "number of its certificate"
due = {due}

[[inspector]]
code = "{code}"
name = "First Inspector"
role = "inspector"
independent_of_production = false
identity = "identities/{code}.p12"

# [signature]                 # time stamps and signatures that last: see docs/signatures.md
# level = "b-lta"
# tsa_url = "https://address of a time-stamp authority"
# tsa_roots = "trust/time.pem"
"""

_JOB: Final = """\
# One part. The limits are in the unit of the order, and conformity is decided in that unit.
title = "Bracket"
customer = "First Customer"
part_no = "B-1"
substrate = "mild steel, washed and phosphated"
probe_mode = "magnetic"
specification = "drawing B-1, coating note"
unit = "mil"

[rule]
name = "every-reading"        # 'filmtally assess --rules' lists the others

[[location]]
name = "front face"
role = "visible"              # edge, hidden, fit, masked, other
lower = 2.0                   # what you ship at the least
target_low = 3.0              # what you aim at; never decides conformity
target_high = 4.0
upper = 5.0                   # what you ship at the most
readings_per_spot = 3

[[location]]
name = "edges"
role = "edge"
lower = 2.0
upper = 5.0
readings_per_spot = 2

[recoat]                      # from your own history and the product data sheet
added_low = 1.5
added_high = 2.5
sheet_max_total = 8.0
"""


_CUSTOMER: Final = """\
# How one customer wants its certificates. All but the name may be left out; what is left out is as the shop does it.
name = "First Customer"           # as the jobs have it
# contact = "Goods inwards"
# language = "de"                 # en, de, fr, es; numbers and days follow, unless decimal_mark and dates say otherwise
# also_in = "um"                  # means in a second unit, for information
# document_type = "3.1"           # of EN 10204, where the order asks for it
# demands = ["purchase-order", "powder-batch"]    # without these no certificate is made
# approvals = ["Quality manager"] # who signs besides whoever releases
# further_party = "Inspector"     # for type 3.2: which of approvals is the purchaser's or an official inspector's
"""


def start(folder: Path, code: str, calibrated_on: str, due: str) -> list[Path]:
    """Write a starter shop into *folder* and return its files.

    Args:
        folder: A folder that is empty or not there yet.
        code: Code of the first inspector.
        calibrated_on: Day that stands for the calibration, to be replaced.
        due: Day up to which the examples hold.

    Raises:
        BadInput: The folder is not empty, or cannot be written to.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BadInput(f"{folder}: is not empty; name a new folder")
    files = {
        "shop.toml": _SHOP.format(code=code, calibrated_on=calibrated_on, due=due),
        "jobs/bracket.toml": _JOB,
        "customers/first-customer.toml": _CUSTOMER,
    }
    try:
        for name, text in files.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        shutil.copytree(_PROFILES, folder / "profiles")
    except OSError as wrong:
        raise BadInput(f"{folder}: cannot be written ({wrong.strerror}); name a folder that can") from None
    return sorted(path for path in folder.rglob("*") if path.is_file())
