"""The page of coaching as a file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from archive.shop_folder import ShopFolder
from archive.targets import write_target
from report.coaching_answer import Answer
from report.coaching_page import coaching_html
from report.history_page_file import PAGE
from report.outside_pictures import OutsidePicture, picture_of
from schemas.errors import BadInput


def write_coaching_page(folder: ShopFolder, answer: Answer, now: datetime, path: Path, *, replace: bool) -> None:
    """Write the page of *answer* to *path*, over a file that is there only with *replace*.

    Raises:
        BadInput: *path* is none that may be written (archive/targets.py).
    """
    shop = folder.shop()
    drawing = answer.case.job.drawing
    picture: OutsidePicture | None = None
    if drawing is not None:
        try:
            picture = picture_of(folder.picture(drawing), f"drawings/{drawing}")
        except BadInput:
            picture = None  # the numbers say all that it would show; assess and certify say what is wrong with it
    page = coaching_html(answer, shop.name, ZoneInfo(shop.time_zone), now, picture)
    write_target(path, page.encode(), PAGE, replace=replace)
