"""The work of a worker process: one certificate from its evidence to what is signed and registered.

A worker imports this module and what it needs, which is neither keys nor signatures nor the register: that is a quarter
less to start with.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from dataclasses import dataclass

from report.assessing import judge
from report.certificate import draft
from report.evidence import Evidence, IssueFacts
from report.page_look import PageLook
from report.pdf import UnsignedPdf
from rules.results import Assessment


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A certificate before it is signed.

    Attributes:
        pdf: The file.
        code: Its short code, as printed.
        html: The page that it was laid out from, where a copy for a browser is wanted.
    """

    pdf: UnsignedPdf
    code: str
    html: str | None


def lay_out(evidence: Evidence, assessment: Assessment, facts: IssueFacts, look: PageLook, *, html: bool) -> LaidOut:
    """Return the certificate as it is signed and registered, with its page where *html* asks for it.

    Raises:
        BadInput: It would print a character that no bundled font has.
    """
    made = draft(evidence, assessment, facts, look)
    return LaidOut(made.pdf, made.view.code, made.html if html else None)


def laid_out(evidence: Evidence, facts: IssueFacts, look: PageLook, html: bool) -> LaidOut:
    """Return the unsigned certificate; runs in a worker process, which judges the evidence itself."""
    return lay_out(evidence, judge(evidence), facts, look, html=html)


def begin_work() -> None:
    """Leave an interrupt to the process that gives out the work, and end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
