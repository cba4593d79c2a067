"""The faults that a person is told about, each one sentence and one exit code.

    FilmtallyError                 base; never raised itself
    ├── BadInput          exit 2   what was given cannot be used: says what, where, and what to do
    ├── GateRefused       exit 3   the gauge was not shown to be right
    └── IntegrityFailed   exit 4   a signature, hash or chain does not hold

Anything else that reaches the front door is a defect of ours and shows its traceback.
"""

from __future__ import annotations


class FilmtallyError(Exception):
    """A fault with one clear sentence for a person: what, where, what to do."""

    exit_code = 2

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


class BadInput(FilmtallyError):
    """Something given cannot be used as it is; nothing was changed."""

    exit_code = 2


class GateRefused(FilmtallyError):
    """The calibration gate does not let this through."""

    exit_code = 3


class IntegrityFailed(FilmtallyError):
    """A signature, a hash or a chain does not hold."""

    exit_code = 4
