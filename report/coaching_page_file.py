"""The page of coaching as a file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from archive.shop_folder import ShopFolder
from report.coaching_answer import Answer
from report.coaching_page import coaching_html
from report.history_page_file import page_path, write_page
from report.outside_pictures import OutsidePicture, picture_of
from schemas.errors import BadInput


def write_coaching_page(folder: ShopFolder, answer: Answer, now: datetime, path: Path) -> None:
    """Write the page of *answer* to *path*; what stands there is replaced once the new file is whole.

    Raises:
        BadInput: The name does not end in .html, or the file cannot be written.
    """
    page_path(path)
    shop = folder.shop()
    drawing = answer.case.job.drawing
    picture: OutsidePicture | None = None
    if drawing is not None:
        try:
            picture = picture_of(folder.picture(drawing), f"drawings/{drawing}")
        except BadInput:
            picture = None  # the numbers say all that it would show; assess and certify say what is wrong with it
    write_page(path, coaching_html(answer, shop.name, ZoneInfo(shop.time_zone), now, picture))
