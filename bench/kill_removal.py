"""Kill a removal at each of its operations on the disk, one after the other, in single files and in segments.

What is looked at after each kill, and after the next run finished it, is what tests/archive/test_removing.py looks at after
every fifteenth: no other inspection is touched, all that is removed stands in the ledger before, and nothing of it is left.

    python -m bench.kill_removal
"""

from __future__ import annotations

import shutil
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest

from archive.fold import fold
from archive.shop_folder import ShopFolder
from tests.archive.test_removing import filled, killed_after


def main() -> None:
    """Run the campaign and print how many kills it was."""
    with tempfile.TemporaryDirectory() as held:
        single, folded = Path(held) / "single", Path(held) / "folded"
        filled(ShopFolder(single))
        shutil.copytree(single, folded)
        fold(folded / "archive", datetime(2027, 3, 1, tzinfo=UTC))
        for source in (single, folded):
            steps = 0
            with pytest.MonkeyPatch.context() as patch:
                while killed_after(steps, source, Path(held) / "shop", patch):
                    steps += 1
            print(f"{source.name}: killed at each of {steps} operations; nothing was lost, and nothing was left")


if __name__ == "__main__":
    main()
