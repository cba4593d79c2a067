"""Draws the reference of every layout anew: python -m tests.report.draw_layouts [NAME ...]

Look at every picture before committing it: what is kept here is what the tests take for right.
"""

from __future__ import annotations

import sys

from tests.report.layout_pictures import keep, picture_of, words_of
from tests.report.layouts import LAYOUTS


def main(names: list[str]) -> int:
    """Draw the layouts *names*, all of them where none is named."""
    unknown = [name for name in names if name not in LAYOUTS]
    if unknown:
        print(f"there is no layout {unknown[0]!r}; there are {', '.join(LAYOUTS)}", file=sys.stderr)
        return 2
    for name in names or LAYOUTS:
        pdf = LAYOUTS[name]().pdf
        keep(name, words_of(pdf.content), picture_of(pdf.content))
        print(f"{name}: {pdf.pages} pages")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
