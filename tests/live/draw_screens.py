"""Draw the capture screen in a real terminal (tmux), at 80 x 24 and 120 x 40, into docs/screens/*.png. Look at them.

    python -m tests.live.draw_screens [NAME ...]

Needs tmux and chromium. What tmux captures, colours and all, becomes a page of cells, and chromium draws the page.
"""

from __future__ import annotations

import html
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from PIL import Image
from prompt_toolkit.utils import get_cwidth

from tests.live.tmux_terminal import TmuxTerminal

ROOT: Final = Path(__file__).parents[2]
FOLDER: Final = ROOT / "docs" / "screens"
SIZES: Final = ((80, 24), (120, 40))
#: What the README and the issue ask for; the others are drawn when they are named.
USUAL: Final = ("in_window", "too_high", "link_lost", "gate_refusing", "question")
_CELL: Final = (9, 18)
#: The sixteen colours of a console, in the usual order.
_COLOURS: Final = [
    "#000000",
    "#cc3333",
    "#33aa33",
    "#c4a000",
    "#3465a4",
    "#75507b",
    "#06989a",
    "#d3d7cf",
    "#555753",
    "#ef2929",
    "#8ae234",
    "#fce94f",
    "#729fcf",
    "#ad7fa8",
    "#34e2e2",
    "#eeeeec",
]
_FORE: Final = "#d3d7cf"
_BACK: Final = "#101010"


def page(capture: str, columns: int, rows: int) -> str:
    """Return tmux's capture with its colours as an HTML page, every cell in its place."""
    wide, high = _CELL
    cells: list[str] = []
    bold = reverse = False
    fore: str | None = None
    for y, line in enumerate(capture.split("\n")[:rows]):
        x = 0
        for code, letter in re.findall(r"\x1b\[([\d;]*)m|([^\x1b])", line):
            if not letter:
                for number in (int(n or 0) for n in code.split(";")):
                    if number == 0:
                        bold, reverse, fore = False, False, None
                    elif number == 1:
                        bold = True
                    elif number == 7:
                        reverse = True
                    elif number == 27:
                        reverse = False
                    elif 30 <= number <= 37:
                        fore = _COLOURS[number - 30 + (8 if bold else 0)]
                    elif 90 <= number <= 97:
                        fore = _COLOURS[number - 90 + 8]
                    elif number == 39:
                        fore = None
                continue
            ink, ground = (fore or ("#ffffff" if bold else _FORE)), _BACK
            if reverse:
                ink, ground = ground, fore or _FORE
            weight = "bold" if bold else "normal"
            cells.append(
                f'<b style="left:{x * wide}px;top:{y * high}px;width:{max(1, get_cwidth(letter)) * wide}px;'
                f'color:{ink};background:{ground};font-weight:{weight}">{_cell_content(letter, ink)}</b>'
            )
            x += max(0, get_cwidth(letter))
    style = (
        f"body{{margin:0;background:{_BACK}}}b{{position:absolute;height:{high}px;line-height:{high}px;overflow:hidden;"
        "font-family:'DejaVu Sans Mono';font-size:15px;white-space:pre}}i{{position:absolute;left:0;width:100%}}"
    )
    body = "".join(cells)
    return f'<meta charset="utf-8"><style>{style.replace("}}", "}").replace("{{", "{")}</style>{body}'


def _cell_content(letter: str, ink: str) -> str:
    """Blocks fill their cell to the edge, as a console draws them; everything else is text."""
    block = {"█": (0, 100), "▀": (0, 50), "▄": (50, 50)}.get(letter)
    if block is None:
        return html.escape(letter)
    return f'<i style="top:{block[0]}%;height:{block[1]}%;background:{ink}"></i>'


def picture(page_text: str, columns: int, rows: int, target: Path) -> None:
    """Have chromium draw the page into *target*."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        raise SystemExit("chromium is not installed; it draws the pictures")
    with tempfile.TemporaryDirectory(prefix="screen-") as folder:
        source = Path(folder) / "page.html"
        source.write_text(page_text, encoding="utf-8")
        drawn = Path(folder) / "page.png"
        options = "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking"
        subprocess.run(
            [
                chromium,
                *options.split(),
                "--disable-component-update",
                "--disable-sync",
                "--hide-scrollbars",
                f"--user-data-dir={folder}/profile",
                f"--window-size={columns * _CELL[0]},{rows * _CELL[1]}",
                f"--screenshot={drawn}",
                source.as_uri(),
            ],
            check=True,
            capture_output=True,
            timeout=120,
        )
        with Image.open(drawn) as shot:
            shot.convert("RGB").quantize(32).save(target, optimize=True)


def main(names: list[str]) -> None:
    FOLDER.mkdir(parents=True, exist_ok=True)
    environ = {**os.environ, "PYTHONPATH": str(ROOT)}
    for name in names or USUAL:
        for columns, rows in SIZES:
            command = [sys.executable, "-m", "tests.live.screen_program", name]
            with TmuxTerminal(columns, rows, command, environ) as terminal:
                terminal.wait_for("help" if name != "help" else "KEYS")
                capture = terminal.capture(colours=True)
            target = FOLDER / f"{name}_{columns}x{rows}.png"
            picture(page(capture, columns, rows), columns, rows, target)
            print(f"{target.relative_to(ROOT)}: {target.stat().st_size:,} bytes")


if __name__ == "__main__":
    main(sys.argv[1:])
