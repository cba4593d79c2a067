"""The JSON Schema of certificate.json, printed from the types that the document is made of.

    python -m report.document_schema

writes schemas/certificate_document.schema.json. What the document holds at its outermost is declared here;
everything inside follows from the records of schemas/ (meaning and unit of a column), the models of shop and
job, and the dataclasses of report/, so that a field added there is described at once. A document names its
schema by `$schema`; the name is no address, and nothing is ever fetched. Only the present version is described: of versions 1 and
2, which are still read (report/document.py), no schema was ever published.
"""

from __future__ import annotations

import dataclasses
import enum
import inspect
import json
import re
import types
import typing
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Final, Literal, NotRequired, TypedDict

from pydantic import BaseModel

from report.document import SAID_ELSEWHERE, SCHEMA, SCHEMA_ID, VERSION
from report.evidence import EarlierInspection, IssueFacts
from report.view import CertificateView
from rules.lot_tables import Severity
from rules.recoat import AddedBuild
from rules.results import GateState
from rules.verdict import Verdict
from schemas.column import Column
from schemas.customer import Customer
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop
from schemas.units import Unit
from schemas.vocabulary import RuleName

#: Where the schema is published.
PATH: Final = Path(__file__).parents[1] / "schemas" / "certificate_document.schema.json"
DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"

_EXACT: Final = r"^-?[0-9]+(\.[0-9]+)?([Ee][+-]?[0-9]+)?$"
_FRACTION: Final = r"^-?[0-9]+(/[1-9][0-9]*)?$"
#: What pydantic writes beside a number that is a string; JSON Schema knows it of numbers alone, or not at all.
_BOUNDS: Final = {
    "ge": "at least {}",
    "gt": "more than {}",
    "le": "at most {}",
    "lt": "less than {}",
    "max_digits": "at most {} digits",
    "decimal_places": "at most {} decimals",
}


@dataclass(frozen=True, slots=True)
class Meaning:
    """What an entry of the document is, where no record or model says it.

    Attributes:
        sentence: The meaning, in a sentence.
        pattern: What its text looks like; None where it may be any.
        words: The words that it is one of; empty where it may be any.
    """

    sentence: str
    pattern: str | None = None
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Without:
    """Fields of a record that the document says elsewhere."""

    names: tuple[str, ...]


_VERDICTS: Final = tuple(v.name for v in Verdict)
_Exactly = Annotated[str | None, Meaning("Exact, as a fraction; null without readings.", _FRACTION)]


class JudgedLocation(TypedDict):
    """What was judged at one location: builds exactly, in the unit of the specification."""

    location: Annotated[str, Meaning("The location, as the job names it.")]
    n: Annotated[int, Meaning("Readings judged.")]
    excluded: Annotated[int, Meaning("Readings kept and not judged.")]
    lower: Annotated[str | None, Meaning("Lower limit, as the job writes it; null without one.", _EXACT)]
    upper: Annotated[str | None, Meaning("Upper limit, as the job writes it; null without one.", _EXACT)]
    mean: Annotated[_Exactly, Meaning("Mean of the builds, exact as a fraction; null without readings.", _FRACTION)]
    least: Annotated[_Exactly, Meaning("Least build, exact as a fraction; null without readings.", _FRACTION)]
    greatest: Annotated[_Exactly, Meaning("Greatest build, exact as a fraction; null without readings.", _FRACTION)]
    deviation: Annotated[str | None, Meaning("Standard deviation of the builds; null under two readings.", _EXACT)]
    verdict: Annotated[str, Meaning("Verdict of the location.", words=_VERDICTS)]
    conditional: Annotated[bool, Meaning("Whether it passes, or fails, within a guard band only.")]


class Judged(TypedDict):
    """What was judged, as exact values: what a later program computes and compares again."""

    verdict: Annotated[str, Meaning("Verdict on the whole.", words=_VERDICTS)]
    conformity: Annotated[str, Meaning("Verdict of the readings as they stand, whatever the gauge.", words=_VERDICTS)]
    gate: Annotated[str, Meaning("Whether the gauge was shown to be right.", words=tuple(s.value for s in GateState))]
    rule: Annotated[str, Meaning("Acceptance rule.", words=tuple(r.value for r in RuleName))]
    unit: Annotated[str, Meaning("Unit of the specification.", words=tuple(u.value for u in Unit))]
    locations: Annotated[list[JudgedLocation], Meaning("The locations in the order of the job.")]


class Template(TypedDict):
    """A sentence that remembers how it was made, so that it can be said in another language."""

    template: Annotated[str, Meaning("English text with {names} where something goes in.")]
    values: Annotated[dict[str, Any], Meaning("What goes in: text, whole numbers, or texts made likewise.")]


class Parts(TypedDict):
    """Texts one after the other."""

    parts: Annotated[list[Any], Meaning("The texts.")]
    separator: Annotated[str, Meaning("What stands between them.")]


#: rules/sentence.py writes a text as it stands, or as what it was made of.
Said = str | Template | Parts


#: Fields of records that hold such a text.
_SAID_FIELDS: Final = ((AddedBuild, "source"),)


class Series(TypedDict):
    """How severely the lot was inspected, where the job samples its lots."""

    severity: Annotated[str, Meaning("Severity of the inspection.", words=tuple(s.value for s in Severity))]
    stopped: Annotated[bool, Meaning("Acceptance was stopped, and nothing was said to have been put right.")]
    changes: Annotated[list[Said], Meaning("Each change of severity in the series so far, with its reason.")]
    shown_before: NotRequired[
        Annotated[list[Said], Meaning("What earlier inspections of this very lot came to, a sentence each.")]
    ]


class NamedDrawing(TypedDict):
    """The drawing of the part among the files inside the certificate."""

    file: Annotated[str, Meaning("Its name.", words=("drawing.svg", "drawing.png"))]
    sha256: Annotated[str, Meaning("SHA-256 of its bytes.", r"^[0-9a-f]{64}$")]


CertificateDocument = TypedDict(
    "CertificateDocument",
    {
        "$schema": Annotated[str, Meaning("Name of this schema.", words=(SCHEMA_ID,))],
        "schema": Annotated[str, Meaning("What the document is.", words=(SCHEMA,))],
        "version": Annotated[Literal[VERSION], Meaning("Version of the document's form.")],  # type: ignore[valid-type]
        "code": Annotated[
            str,
            Meaning(
                "Short code of a paper copy: it follows from everything here but stated and edition.",
                r"^[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{3}[0-9A-HJKMNP-Z*~$=]$",
            ),
        ],
        "certificate": Annotated[IssueFacts, Meaning("What was settled when the certificate was issued.")],
        "shop": Annotated[
            Shop,
            Meaning("The shop as it was when the inspection was sealed, with the people and the look of the issue."),
        ],
        "job": Annotated[Job, Meaning("The job as it was when the inspection was sealed.")],
        "customer": Annotated[
            Customer | None, Meaning("The customer's file as it was at the issue; null where there is none.")
        ],
        "inspection": Annotated[Inspection, Without(SAID_ELSEWHERE), Meaning("The sealed inspection.")],
        "readings": Annotated[list[GaugeReading], Meaning("Its readings, counted or not, by number.")],
        "checks": Annotated[list[GaugeCheck], Meaning("The checks of its gauge that bear on it.")],
        "earlier": Annotated[
            list[EarlierInspection], Meaning("The inspections of the same lot before this one, oldest first.")
        ],
        "drawing": Annotated[NamedDrawing | None, Meaning("The drawing of the part; null where the job names none.")],
        "judged": Annotated[Judged, Meaning("What was judged, exactly.")],
        "stated": Annotated[CertificateView, Meaning("Every string that the pages print.")],
        "edition": Annotated[str, Meaning("Edition of the program that worded the pages.", r"^[0-9a-f]{16}$")],
        "series": NotRequired[Annotated[Series, Meaning("There where the job samples its lots.")]],
        "recoats": NotRequired[
            Annotated[AddedBuild, Meaning("What a further coat added before, where it bears on the advice.")]
        ],
    },
)
CertificateDocument.__doc__ = (
    "certificate.json: all that a film build certificate states, and all that is needed to compute it again. "
    "Exact numbers are strings; times are UTC (ISO 8601)."
)


def schema() -> dict[str, Any]:
    """Return the JSON Schema (Draft 2020-12) of the document."""
    definitions: dict[str, Any] = {}
    body = _typed_dict(CertificateDocument, definitions)
    return {
        "$schema": DIALECT,
        "$id": SCHEMA_ID,
        "title": f"{SCHEMA}, version {VERSION}",
        **body,
        "$defs": dict(sorted(definitions.items())),
    }


def text() -> str:
    """Return the JSON Schema as it is published."""
    return json.dumps(schema(), ensure_ascii=False, indent=1) + "\n"


def _of(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a type as report.document writes its values."""
    origin = typing.get_origin(hint)
    if origin is Annotated:
        inner, *notes = typing.get_args(hint)
        return _annotated(inner, notes, definitions)
    if origin is Literal:
        (value,) = typing.get_args(hint)
        return {"const": value}
    if origin in (types.UnionType, typing.Union):
        return _or_null([_of(a, definitions) for a in typing.get_args(hint) if a is not type(None)])
    if origin in (list, tuple):
        return {"type": "array", "items": _of(typing.get_args(hint)[0], definitions)}
    if origin is dict:
        return {"type": "object", "additionalProperties": _of(typing.get_args(hint)[1], definitions)}
    simple = _simple(hint)
    return simple if simple is not None else _named(hint, definitions)


def _simple(hint: Any) -> dict[str, Any] | None:
    if hint is Any:
        return {}
    if hint is bool:
        return {"type": "boolean"}
    if hint is int:
        return {"type": "integer"}
    if hint is str:
        return {"type": "string"}
    if hint is Decimal:
        return {"type": "string", "pattern": _EXACT}
    if hint is datetime:
        return {"type": "string", "format": "date-time", "pattern": "Z$"}
    if hint is date:
        return {"type": "string", "format": "date"}
    if inspect.isclass(hint) and issubclass(hint, enum.StrEnum):
        return {"enum": [m.value for m in hint]}
    return None


def _named(hint: Any, definitions: dict[str, Any], without: tuple[str, ...] = ()) -> dict[str, Any]:
    """Return a reference to the definition of a class, which is made where it is met first."""
    name = hint.__name__
    if name not in definitions:
        definitions[name] = {}  # so that a class that holds itself finds an end
        if typing.is_typeddict(hint):
            definitions[name] = _typed_dict(hint, definitions)
        elif inspect.isclass(hint) and issubclass(hint, BaseModel):
            definitions[name] = _model(hint, definitions)
        elif dataclasses.is_dataclass(hint):
            definitions[name] = _dataclass(hint, definitions, without)
        else:
            raise TypeError(f"no JSON Schema is known for {hint!r}")
    return {"$ref": f"#/$defs/{name}"}


def _annotated(inner: Any, notes: list[Any], definitions: dict[str, Any]) -> dict[str, Any]:
    without = next((n.names for n in notes if isinstance(n, Without)), ())
    found = _named(inner, definitions, without) if without else _of(inner, definitions)
    for note in notes:
        if isinstance(note, Column):
            found = {**found, "description": note.meaning} | ({"unit": note.unit} if note.unit else {})
        elif isinstance(note, Meaning):
            found = {**found, "description": note.sentence}
            if note.words:
                found = {"enum": list(note.words), "description": note.sentence}
            if note.pattern is not None:
                _put_pattern(found, note.pattern)
    return found


def _put_pattern(found: dict[str, Any], pattern: str) -> None:
    for branch in found.get("anyOf", [found]):
        if branch.get("type") == "string":
            branch["pattern"] = pattern


def _or_null(branches: list[dict[str, Any]]) -> dict[str, Any]:
    return {"anyOf": [*branches, {"type": "null"}]}


def _object(properties: dict[str, Any], required: list[str], description: str | None) -> dict[str, Any]:
    said = {"description": description} if description else {}
    return {**said, "type": "object", "properties": properties, "required": required, "additionalProperties": False}


def _typed_dict(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    hints = typing.get_type_hints(hint, include_extras=True)
    properties = {name: _of(_bare(h), definitions) for name, h in hints.items()}
    # Not __required_keys__, which does not see NotRequired where annotations are strings.
    required = [name for name, h in hints.items() if typing.get_origin(h) is not NotRequired]
    return _object(properties, required, _first_paragraph(hint))


def _bare(hint: Any) -> Any:
    return typing.get_args(hint)[0] if typing.get_origin(hint) is NotRequired else hint


def _dataclass(hint: Any, definitions: dict[str, Any], without: tuple[str, ...]) -> dict[str, Any]:
    """Return the schema of a dataclass, all of whose fields are always written."""
    hints = typing.get_type_hints(hint, include_extras=True)
    said = _attributes(hint)
    properties = {}
    for field in dataclasses.fields(hint):
        if field.name in without:
            continue
        found = _of(Said if (hint, field.name) in _SAID_FIELDS else hints[field.name], definitions)
        if field.name in said and "description" not in found:
            found = {**found, "description": said[field.name]}
        properties[field.name] = found
    return _object(properties, list(properties), _first_paragraph(hint))


def _first_paragraph(hint: Any) -> str | None:
    """Return the first paragraph of a docstring; None where a dataclass made it up itself."""
    found = inspect.cleandoc(hint.__doc__ or "").split("\n\n")[0].replace("\n", " ")
    return found if found and not found.startswith(f"{hint.__name__}(") else None


def _attributes(hint: Any) -> dict[str, str]:
    """Return what a docstring says of each attribute."""
    _, _, listed = inspect.cleandoc(hint.__doc__ or "").partition("Attributes:\n")
    entries = re.split(r"\n(?=    \w+: )", "\n" + listed)
    found = {}
    for entry in entries:
        name, colon, said = entry.strip().partition(": ")
        if colon:
            found[name] = " ".join(said.split())
    return found


def _model(hint: type[BaseModel], definitions: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a model as it writes itself: exact numbers as strings, what is not given left out."""
    whole = hint.model_json_schema(mode="serialization", ref_template="#/$defs/{model}")
    for name, inner in whole.pop("$defs", {}).items():
        definitions.setdefault(name, _as_written(inner))
    made: dict[str, Any] = _as_written(whole)
    return made


def _as_written(node: Any) -> Any:
    """Return pydantic's schema without what only pydantic knows; a bound of an exact number goes into words."""
    if isinstance(node, list):
        return [_as_written(n) for n in node]
    if not isinstance(node, dict):
        return node
    bounds = [words.format(node[key]) for key, words in _BOUNDS.items() if key in node and node.get("type") == "string"]
    names = node.get("properties")
    made = {
        key: ({n: _as_written(p) for n, p in value.items()} if key == "properties" else _as_written(value))
        for key, value in node.items()
        if not (key in _BOUNDS and node.get("type") == "string") and key not in ("title", "default")
    }
    if bounds:
        made["pattern"] = _EXACT
        said = str(made.get("description", "")).removesuffix(".")
        limits = ", ".join(bounds)
        made["description"] = f"{said}; {limits}." if said else f"{limits[0].upper()}{limits[1:]}."
    elif names is None and node.get("type") == "string" and _is_exact_default(node):
        made["pattern"] = _EXACT
    return made


def _is_exact_default(node: dict[str, Any]) -> bool:
    return isinstance(node.get("default"), str) and re.fullmatch(_EXACT, node["default"]) is not None


if __name__ == "__main__":
    PATH.write_text(text(), encoding="utf-8", newline="\n")
