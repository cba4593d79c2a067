"""What the TOML models share: strictness, exact numbers, and one sentence per mistake."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Final, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo
from pydantic_core import ErrorDetails

from schemas.errors import BadInput
from schemas.letters import unfit, unprinted

#: In our own JSON exact numbers are strings; in a file that a person wrote they are numbers.
_WRITTEN_BY_HAND: Final = "written by hand"
#: Nothing that is measured or agreed here has more figures.
_MOST_FIGURES: Final = 30


def _exact(number: object, info: ValidationInfo) -> object:
    """Refuse binary floats: by the time one is seen, its last digit is already a guess."""
    if isinstance(number, bool | float):
        raise ValueError("must be a number")  # noqa: TRY004 - pydantic takes a ValueError as a refusal, no other
    if isinstance(number, str) and info.context == _WRITTEN_BY_HAND:
        raise ValueError("must be a number, without quotes")
    return number


def _written_out(number: Decimal) -> Decimal:
    """Refuse what would fill the memory once it is written out or made a fraction, such as 1E-99999999."""
    _, digits, exponent = number.as_tuple()
    if isinstance(exponent, int) and (abs(exponent) > _MOST_FIGURES or len(digits) > _MOST_FIGURES):
        raise ValueError(f"must be a number of at most {_MOST_FIGURES} figures")
    return number


#: A decimal number that TOML or JSON wrote with digits; never a binary float.
Exact = Annotated[Decimal, BeforeValidator(_exact), Field(allow_inf_nan=False), AfterValidator(_written_out)]
#: A thickness, as exact as the archive keeps it.
Thickness = Annotated[Exact, Field(max_digits=9, decimal_places=4)]
#: A word that also names a file: what every file system keeps as it is.
Slug = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=60)]

#: A picture's file name, with nothing in it that leads out of its folder.
PictureName = Annotated[
    str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _-]*(?:\.[A-Za-z0-9 _-]+)*\.(?:svg|png)$", max_length=80)
]


def by_hand(info: ValidationInfo) -> bool:
    """Return whether a person wrote what is checked; what was archived before a check was known is still read."""
    return bool(info.context == _WRITTEN_BY_HAND)


def _printed(text: str, info: ValidationInfo) -> str:
    """Refuse at once what a certificate could not print once everything is measured, or what a reader would misread.

    What was archived before a look-alike was known is still read.
    """
    why = unfit(text) if by_hand(info) else unprinted(text)
    if why is not None:
        raise ValueError(why)
    return text


#: One line of text that can be printed.
Text = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_printed)]


class Model(BaseModel):
    """Base of the models: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)

    @classmethod
    def load(cls, path: Path) -> Self:
        """Read and check the TOML file *path*.

        Raises:
            BadInput: The file is missing, is not TOML, or says something that is not allowed. The
                sentence names file, key, and what is allowed.
        """
        try:
            text = path.read_text(encoding="utf-8")
        except FileNotFoundError:
            raise BadInput(f"{path}: there is no such file") from None
        except IsADirectoryError:
            raise BadInput(f"{path}: this is a folder, not a TOML file") from None
        except PermissionError:
            raise BadInput(f"{path}: this file may not be read; ask whoever owns it") from None
        except UnicodeDecodeError as wrong:
            raise BadInput(f"{path}: byte {wrong.start + 1} is not UTF-8; save the file as UTF-8") from None
        try:
            content = tomllib.loads(text.removeprefix("\ufeff"), parse_float=Decimal)
        except (tomllib.TOMLDecodeError, RecursionError) as wrong:
            raise BadInput(f"{path}: not valid TOML: {wrong}") from None
        return cls.checked(content, str(path))

    @classmethod
    def checked(cls, content: dict[str, Any], where: str) -> Self:
        """Return the model of *content*.

        Raises:
            BadInput: Something in it is not allowed; the sentence starts with *where*.
        """
        try:
            return cls.model_validate(content, context=_WRITTEN_BY_HAND)
        except ValidationError as wrong:
            first, *others = _distinct(wrong.errors(include_url=False))
            more = f" (and {len(others)} more like this)" if others else ""
            raise BadInput(f"{where}: {_sentence(first, content)}{more}") from None

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Return the model that :meth:`to_json` wrote."""
        return cls.model_validate_json(text)

    def to_json(self) -> str:
        """Return the model as JSON with exact numbers as strings."""
        return self.model_dump_json(exclude_none=True)


def _distinct(errors: list[ErrorDetails]) -> list[ErrorDetails]:
    """Leave out what only follows from another error: a list counts as too short where an entry of it is wrong."""
    places = [e["loc"] for e in errors]
    return [
        e
        for e in errors
        if not (e["type"] == "too_short" and any(p != e["loc"] and p[: len(e["loc"])] == e["loc"] for p in places))
    ]


def _sentence(error: ErrorDetails, content: dict[str, Any]) -> str:
    key = _key(error["loc"], content)
    kind = error["type"]
    if kind == "missing":
        return f"{key} is missing; add it"
    if kind == "extra_forbidden":
        return f"{key} is not a key that is known here; correct or remove it"
    message = error["msg"].removeprefix("Value error, ")
    message = message[0].lower() + message[1:]
    given = error["input"]
    if isinstance(given, dict | list) or (kind == "value_error" and not isinstance(given, str | int | Decimal)):
        return f"{key}: {message}" if key else message
    return f"{key} is {str(given)!r}: {message}"


def _key(loc: tuple[int | str, ...], content: Any) -> str:
    """Return the key as a person finds it: a list entry goes by its name where it has one."""
    parts: list[str] = []
    for step in loc:
        inner = content[step] if _has(content, step) else None
        if isinstance(step, int):
            label = next((inner[k] for k in ("serial", "code", "name") if isinstance(inner, dict) and k in inner), None)
            parts[-1:] = [
                f"{parts[-1] if parts else ''}[{label!r}]" if label else f"{parts[-1] if parts else ''}[{step + 1}]"
            ]
        else:
            parts.append(step)
        content = inner
    return ".".join(parts)


def _has(content: Any, step: int | str) -> bool:
    if isinstance(content, dict):
        return step in content
    return isinstance(content, list) and isinstance(step, int) and step < len(content)
