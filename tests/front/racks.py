"""Racks of hinges with a pattern that was put into them: invented, of our own scenario."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta

from tests.front.shop import GOOD, FrontDoor

TOP, BOTTOM = "top row", "bottom row"
#: Builds around these lie in their target bands, pieces and readings spread a little.
FACE, FIT = 87.5, 31.5
_PIECES = (-1.2, 0.4, 1.1, -0.3)
_READINGS = (-0.6, 0.5, 0.2, -0.1)

#: What a pattern adds at a place on the rack, to the strap face and to the running fit.
Pattern = Callable[[str], tuple[float, float]]


def even(_: str) -> tuple[float, float]:
    """Nothing is wrong."""
    return 0.0, 0.0


def thick_fit(_: str) -> tuple[float, float]:
    """The running fit is thick, the strap face is not."""
    return 0.0, 14.0


def thin_top(place: str) -> tuple[float, float]:
    """The top of the rack is thin, everywhere."""
    return (-24.0, -8.0) if place == TOP else (0.0, 0.0)


def face_up(_: str) -> tuple[float, float]:
    """The strap face is thicker than on earlier racks, and still in its band."""
    return 8.0, 0.0


def all_high(_: str) -> tuple[float, float]:
    """The whole part is thick."""
    return 24.0, 8.0


def builds(pattern: Pattern, place: str, pieces: int = 4, shift: float = 0.0) -> list[tuple[int, str, float]]:
    """Return piece, location and film build of every reading at a place on the rack."""
    face, fit = pattern(place)
    found = []
    for piece in range(pieces):
        for location, centre, spread in (("strap face", FACE + face, 1.0), ("knuckle, running fit", FIT + fit, 0.5)):
            found += [
                (piece + 1, location, round(centre + shift + spread * (_PIECES[piece] + reading), 1))
                for reading in _READINGS
            ]
    return found


def open_gauge(door: FrontDoor) -> None:
    """Verify the gauge before any rack."""
    door.verify_gauge("opening", "2026-11-03T07:00", read=(*GOOD, "--standard", "S-25=25.1,24.8,25.0"))


def hang(
    door: FrontDoor,
    pattern: Pattern,
    number: int = 1,
    *more: str,
    places: Sequence[str] = (TOP, BOTTOM),
    pieces: int = 4,
    shift: float = 0.0,
) -> list[str]:
    """Measure one rack, place by place, and return its inspections."""
    began = datetime(2026, 11, 3, 7, 30, tzinfo=UTC) + timedelta(minutes=15 * number)
    found = []
    for minutes, place in enumerate(places):
        lines = "".join(f"{build} um\n" for _, _, build in builds(pattern, place, pieces, shift))
        door.now += timedelta(minutes=1)
        at = f"{began + timedelta(minutes=3 * minutes):%Y-%m-%dT%H:%M}"
        answer = door(
            "measure", "hinge", "--lot", f"H-{number}", "--inspector", "mk", "--gauge", "FB-11", "--measured-at", at,
            "--from", door.write(f"H-{number}-{minutes}.txt", lines.encode()), "--pieces", str(pieces),
            "--rack", "R3", "--rack-position", place, "--sprayer", "pd", "--again", "the same builds, as the test wants", *more,
        )  # fmt: skip
        assert answer.code in (0, 1), answer
        found.append(answer.out.split()[1].rstrip(":"))
    return found
