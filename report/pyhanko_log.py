"""The log of pyHanko and of pikepdf, kept from standard error: what it says there is told in sentences of our own."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator


@contextlib.contextmanager
def silent() -> Iterator[None]:
    """Keep them from telling on standard error what the caller tells in sentences."""
    loggers = [logging.getLogger(n) for n in ("pyhanko", "pyhanko_certvalidator", "pikepdf")]
    before = [(logger.level, logger) for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for level, logger in before:
            logger.setLevel(level)
