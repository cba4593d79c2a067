"""`filmtally demo`: the invented shop's week, run through the real commands."""

from __future__ import annotations

import secrets
import shlex
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

Run = Callable[[Sequence[str]], int]

HERE: Final = Path(__file__).parent
#: The demo's own passphrase lies beside its key: it protects nothing and says so.
PASSPHRASE_FILE: Final = "identities/passphrase-of-the-demo.txt"  # noqa: S105 - where it lies, not what it is

_OPENING_ON_ZERO_AND_TWO: Final = {
    "Z-0": "0.1,0.0,0.2",
    "S-50": "50.4,50.1,50.6",
    "S-130": "129.9,130.3,129.4",
    "S-255": "254.1,255.6,255.0",
}


#: A week later: certificates had gone out, and a laboratory says that their gauge read high.
LOOK_BACK: Final = (
    "lookback",
    "--gauge",
    "FB-11",
    "--from",
    "2026-11-03",
    "--to",
    "2026-11-05",
    "--off",
    "+1.5 um",
    "--reason",
    "the calibration laboratory states that the gauge read 1.5 µm high when it came in",
)
LETTERS: Final = "letters-to-customers.html"


@dataclass(frozen=True)
class Lot:
    """One lot of the demo: how it is measured, and what its story is."""

    story: str
    job: str
    lot: str
    gauge: str
    capture: str
    options: tuple[str, ...]


LOTS: Final = (
    Lot(
        "Garden-gate leaves: heavy bar edges, thin inside corners, all within limits.",
        "gate-leaf",
        "GL-1141",
        "FB-07",
        "gate-leaf-GL-1141.capture",
        (
            "--pieces",
            "2",
            "--lot-size",
            "12",
            "--purchase-order",
            "HW-5520/1",
            "--work-order",
            "W-26-1141",
            "--powder-batch",
            "LG-0417",
            "--rack",
            "R3",
            "--sprayer",
            "pd",
        ),
    ),
    Lot(
        "Strap hinges: the running fit had to stay light and did not.",
        "hinge",
        "HG-0388",
        "FB-11",
        "hinge-HG-0388.txt",
        (
            "--pieces",
            "3",
            "--lot-size",
            "40",
            "--purchase-order",
            "HW-5520/2",
            "--powder-batch",
            "BT-1102",
            "--measured-at",
            "2026-11-03T10:10",
            "--sprayer",
            "pd",
        ),
    ),
    Lot(
        "A park-bench end, in for its third coat, far over any limit: strip and redo.",
        "bench-end",
        "BE-0027",
        "FB-11",
        "bench-end-BE-0027.capture",
        ("--lot-size", "1", "--coats", "3", "--bakes", "3", "--purchase-order", "SV-88", "--powder-batch", "CR-0091"),
    ),
    Lot(
        "Galvanized bollards: the zinc was read first; the closing check is still to come.",
        "bollard",
        "BO-2209",
        "FB-12",
        "bollard-BO-2209.capture",
        ("--piece", "B1", "--piece", "B2", "--lot-size", "8", "--purchase-order", "5512", "--powder-batch", "DG-2230"),
    ),
    Lot(
        "A blasted mast plate with base metal readings; the gauge failed its closing check.",
        "mast-plate",
        "MP-0903",
        "FB-19",
        "mast-plate-MP-0903.capture",
        ("--lot-size", "2", "--purchase-order", "QM-301/4", "--powder-batch", "SW-0555"),
    ),
    Lot(
        "Sash profiles for the architectural label: the gauge names piece, location and spot itself.",
        "sash-profile",
        "SP-4410",
        "FB-11",
        "sash-profile-SP-4410.jsonl",
        (
            "--pieces",
            "3",
            "--lot-size",
            "3",
            "--purchase-order",
            "LJ-77",
            "--powder-batch",
            "PG-0018",
            "--profile",
            "json-lines",
        ),
    ),
)


def checks() -> list[list[str]]:
    """Return the arguments of every gauge check of the demo's week, in order of time."""
    good = _OPENING_ON_ZERO_AND_TWO
    drifted = {
        "Z-0": "0.2,0.1,0.3",
        "S-50": "54.9,55.3,55.0",
        "S-130": "138.2,138.9,138.5",
        "S-255": "266.0,265.1,266.4",
    }
    return [
        _check("FB-07", "magnetic", "opening", "2026-11-03T08:45", good),
        _check("FB-11", "magnetic", "opening", "2026-11-03T08:55", {**good, "S-25": "25.2,24.8,25.1"}),
        _check("FB-07", "magnetic", "closing", "2026-11-03T16:40", good),
        _check("FB-11", "magnetic", "closing", "2026-11-03T16:50", good),
        _check("FB-12", "magnetic", "opening", "2026-11-04T07:30", good),
        _check("FB-19", "magnetic", "opening", "2026-11-04T12:50", good),
        _check("FB-19", "magnetic", "closing", "2026-11-04T16:30", drifted),
        _check("FB-11", "eddy-current", "opening", "2026-11-05T09:30", good),
        _check("FB-11", "eddy-current", "closing", "2026-11-05T15:30", good),
    ]


def _check(gauge: str, mode: str, occasion: str, at: str, read: dict[str, str]) -> list[str]:
    words = [
        "check",
        "verification",
        "--gauge",
        gauge,
        "--mode",
        mode,
        "--occasion",
        occasion,
        "--by",
        "mk",
        "--at",
        at,
        "--temperature",
        "20.5",
    ]
    for standard, readings in read.items():
        words += ["--standard", f"{standard}={readings}"]
    return words


def demo(folder: Path | None, now: Callable[[], datetime]) -> int:
    """Run the demo in *folder*, or in the first free of demo-shop, demo-shop-2, …

    Raises:
        BadInput: The folder is not empty, or a command did not come out as the scenario says.
    """
    from filmtally import main

    return run(lambda words: main(words, now=now), _free_folder(folder))


def _free_folder(wanted: Path | None) -> Path:
    from schemas.errors import BadInput

    if wanted is not None:
        if wanted.exists() and (not wanted.is_dir() or any(wanted.iterdir())):
            raise BadInput(f"{wanted}: is not empty; name a new folder for the demo")
        return wanted
    names = ["demo-shop", *(f"demo-shop-{n}" for n in range(2, 1000))]
    return next(Path(name) for name in names if not Path(name).exists())


def set_up(main: Run, folder: Path) -> None:
    """Lay out the invented shop in *folder*, with a key for its inspector."""
    shutil.copytree(HERE / "shop", folder, dirs_exist_ok=True)
    passphrase = folder / PASSPHRASE_FILE
    passphrase.parent.mkdir(exist_ok=True)
    passphrase.write_text(secrets.token_urlsafe(16) + "\n", encoding="utf-8")
    _must(main, folder, ["identity", "mk", "--passphrase-file", str(passphrase)])


def run(main: Run, folder: Path) -> int:
    """Run the demo in *folder* and return 0 where everything came out as the scenario says."""
    print(
        f"The week of an invented shop, in {folder}. Every line that begins with $ is a command that is really run.\n"
    )
    set_up(main, folder)
    print("\n# The gauges, verified on certified standards\n")
    for words in checks():
        _must(main, folder, words, {0, 1})
    print("\n# Before a lot of 400 sash profiles: how many are measured, and what that can tell\n")
    _must(main, folder, ["assess", "--plan", "sash-profile", "--lot-size", "400"])
    said: dict[str, list[str]] = {"conforms": [], "does not conform": [], "refused": [], "undecided": []}
    for lot in LOTS:
        print(f"\n# Lot {lot.lot}. {lot.story}\n")
        said[_one_lot(main, folder, lot)].append(lot.lot)
    print("\n# The archive, checked and searched\n")
    _must(main, folder, ["archive", "check"])
    _must(main, folder, ["history"])
    print(
        "\n# What else did the gauge measure that failed its check, and what a laboratory's word about another one touches\n"
    )
    _must(main, folder, ["lookback", "--check", _failed_check(folder)], {1})
    _must(main, folder, [*LOOK_BACK, "--html", str(folder / LETTERS)], {1})
    return _sum_up(folder, said)


def _one_lot(main: Run, folder: Path, lot: Lot) -> str:
    words = ["measure", lot.job, "--lot", lot.lot, "--inspector", "mk", "--gauge", lot.gauge]
    _must(main, folder, [*words, "--from", str(HERE / "captures" / lot.capture), *lot.options])
    assessed = _must(main, folder, ["assess", lot.lot], {0, 1, 3})
    passphrase = str(folder / PASSPHRASE_FILE)
    certified = _must(main, folder, ["certify", lot.lot, "--signer", "mk", "--passphrase-file", passphrase], {0, 1, 3})
    if certified == 3:
        from archive.shop_folder import ShopFolder
        from rules.results import GateState

        return "refused" if _gate(ShopFolder(folder), lot.lot) is GateState.SUSPECT else "undecided"
    newest = max((folder / "certificates").glob("*.pdf"), key=lambda path: path.stat().st_mtime_ns)
    _must(main, folder, ["verify", str(newest)], {0, 1})
    return "conforms" if assessed == certified == 0 else "does not conform"


def _failed_check(folder: Path) -> str:
    from archive.shop_folder import ShopFolder
    from archive.store import Archive

    checks_made = Archive(ShopFolder(folder).archive, "demo").checks("FB-19")
    return next(row.check_id for row in checks_made if row.within is False)


def _gate(folder: Any, lot: str) -> Any:
    from archive.store import Archive
    from rules.calibration_gate import cover
    from schemas.job import Job
    from schemas.shop import Shop

    archive = Archive(folder.archive, "demo")
    inspection = next(i for i in archive.inspections() if i.lot == lot)
    readings = archive.reading_records(inspection.inspection_id)
    checks_made = archive.checks(inspection.gauge_serial)
    return cover(readings, checks_made, Job.from_json(inspection.job_json), Shop.from_json(inspection.shop_json)).state


def _must(main: Run, folder: Path, words: list[str], allowed: set[int] = frozenset({0})) -> int:  # type: ignore[assignment]
    from schemas.errors import BadInput

    whole = ["--shop", str(folder), *words]
    print(f"$ filmtally {shlex.join(whole)}", flush=True)
    code = main(whole)
    print(f"  (exit {code})", flush=True)
    if code not in allowed:
        raise BadInput(f"the demo stopped: 'filmtally {shlex.join(whole)}' gave exit {code}")
    return code


def _sum_up(folder: Path, said: dict[str, list[str]]) -> int:
    print("\n# What came out\n")
    meaning = {
        "conforms": "conforms",
        "does not conform": "does not conform",
        "refused": "is refused: the closing check of its gauge failed",
        "undecided": "is undecided: the closing check of its gauge is still to come",
    }
    for outcome, lots in said.items():
        for lot in lots:
            print(f"lot {lot} {meaning[outcome]}")
    print("\nWritten, and worth opening:")
    for path in sorted((folder / "certificates").glob("*.pdf")):
        print(f"  certificate {path}")
    print(f"  letters     {folder / LETTERS}")
    print(f"  archive     {folder / 'archive' / 'readings'} (plain Parquet, see schemas/README.md)")
    return 0
