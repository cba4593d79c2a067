"""Where benches and campaigns leave their results."""

from pathlib import Path
from typing import Final

RESULTS: Final = Path(__file__).parent / "results"
