"""Draw the page of history as a browser shows and prints it, into docs/screens/*.png. Look at them.

    python -m tests.report.draw_pages [PAGE.html ...]

Needs chromium and pdftoppm. Without a page it draws our example: on a desktop, on a tablet both ways, without
colour, and on paper. Pages that are named are drawn beside themselves.
"""

from __future__ import annotations

import io
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from PIL import Image

from report.history_page import history_html
from report.outside_pictures import picture_of
from tests.report.browser import PAPERS, Browser, browser, chromium
from tests.report.charted_example import NARROW, history, part
from tests.report.layouts import SHOP_FOLDER

FOLDER: Final = Path(__file__).parents[2] / "docs" / "screens"
WIDTHS: Final = {"desktop": 1280, "tablet": 820, "tablet_across": 1180}
#: So much of a page is kept, in px: its head, its locations and the charts of the first of them.
_HIGHEST: Final = 2100
_SHEETS: Final = 3
_DOTS_PER_INCH: Final = 72


def example() -> str:
    """Return the page that is drawn."""
    drawing = picture_of((SHOP_FOLDER / "drawings" / "gate-leaf.svg").read_bytes(), "gate-leaf.svg")
    other = part("HW-088", 4, 6, places=(("collar", 75, NARROW),), title="hinge collar", seed=5)
    return history_html(history(part(drawing=drawing), other))


def main(names: list[str]) -> int:
    """Draw the pages *names*, or the example."""
    program = chromium()
    if program is None:
        print("chromium is not installed; it draws the pages", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory(prefix="pages-") as made, browser(program) as chrome:
        if names:
            for name in names:
                _draw(chrome, Path(name), Path(name).parent, Path(name).stem, highest=16_000)
        else:
            page = Path(made) / "history.html"
            page.write_text(example(), encoding="utf-8")
            _draw(chrome, page, FOLDER, "history", _HIGHEST)
        foreign = [asked for asked in chrome.requests if not asked.startswith(("file:", "data:"))]
        print(f"{len(chrome.requests)} requests, {len(foreign)} of them to anywhere but the file")
    return 1 if foreign else 0


def _draw(chrome: Browser, page: Path, folder: Path, stem: str, highest: int) -> None:
    for name, width in WIDTHS.items():
        chrome.open(page, width)
        _keep(Image.open(io.BytesIO(chrome.picture())), folder / f"{stem}_{name}.png", highest)
    chrome.grey(True)
    _keep(Image.open(io.BytesIO(chrome.picture())), folder / f"{stem}_grey.png", highest)
    chrome.grey(False)
    for paper in PAPERS:
        _keep(_sheets(chrome.pdf(paper)), folder / f"{stem}_{paper.lower()}.png", 10_000)


def _sheets(pdf: bytes) -> Image.Image:
    """Return the first sheets beside one another."""
    with tempfile.TemporaryDirectory(prefix="sheets-") as folder:
        file = Path(folder) / "page.pdf"
        file.write_bytes(pdf)
        options = ["-png", "-r", str(_DOTS_PER_INCH), "-l", str(_SHEETS)]
        subprocess.run(["pdftoppm", *options, str(file), str(Path(folder) / "sheet")], check=True)
        sheets = [Image.open(path).convert("RGB") for path in sorted(Path(folder).glob("sheet*.png"))]
        gap = 8
        whole = Image.new("RGB", (sum(s.width + gap for s in sheets) - gap, max(s.height for s in sheets)), "#9aa0a4")
        x = 0
        for sheet in sheets:
            whole.paste(sheet, (x, 0))
            x += sheet.width + gap
        return whole


def _keep(picture: Image.Image, path: Path, highest: int) -> None:
    # So many colours are enough for lines and letters, and a third of the bytes.
    cut = picture.convert("RGB").crop((0, 0, picture.width, min(picture.height, highest)))
    cut.quantize(200, dither=Image.Dither.NONE).save(path, optimize=True)
    print(path)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
