"""Print the generated files of this folder: `python -m schemas.generate`."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from schemas.json_schemas import MODELS, json_schema
from schemas.tables import readme

HERE: Final = Path(__file__).parent


def generated() -> dict[str, str]:
    """Return what is generated: file name and text."""
    return {"README.md": readme(), **{f"{name}.schema.json": json_schema(name) for name in MODELS}}


if __name__ == "__main__":
    for name, text in generated().items():
        (HERE / name).write_text(text, encoding="utf-8", newline="\n")
