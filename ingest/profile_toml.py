"""A line profile as a TOML file that a person can read, with a remark on what each group is."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final

from schemas.profile import Profile

_REMARKS: Final = {
    "thickness": "the figures",
    "unit": "their unit",
    "counter": "the gauge's own counter",
    "time": "when the reading was taken, by the gauge's clock",
    "mode": "the probe mode; [modes] says what the words mean",
    "check": "the check digit; [check] says how it is reckoned",
    "piece": "the piece",
    "location": "the location",
    "spot": "the spot",
}
#: In this order the keys stand; tables come last, as TOML asks for.
_ORDER: Final = (
    "title",
    "form",
    "reading",
    "decimal_mark",
    "places",
    "unit",
    "time_format",
    "control",
    "line_end",
    "idle_end_ms",
)


def profile_toml(profile: Profile, remarks: tuple[str, ...] = ()) -> str:
    """Return *profile* as TOML that reads back as the same profile; *remarks* go before it."""
    content = profile.model_dump(exclude_defaults=True)
    content["title"] = profile.title
    if profile.form == "pattern":
        content["decimal_mark"] = profile.decimal_mark
    if profile.check is not None:
        content["check"] = {"kind": profile.check.kind, "written": profile.check.written, **content.get("check", {})}
    lines = [f"# {_one_line(remark)}" for remark in remarks]
    names = list(re.compile(profile.reading).groupindex) if profile.reading else list(profile.keys)
    for name in names:
        key = f"{profile.keys[name]!r}, " if profile.form == "json" else ""
        lines.append(f"# {name}: {key}{_REMARKS[name]}")
    keys = [k for k in _ORDER if k in content] + [k for k in content if k not in _ORDER]
    plain = [k for k in keys if not _is_table(content[k])]
    lines += [f"{k} = {_value(content[k])}" for k in plain]
    for key in keys:
        value = content[key]
        if isinstance(value, Mapping) and value:
            lines += ["", f"[{key}]", *(f"{_key(k)} = {_value(v)}" for k, v in value.items() if v is not None)]
        elif _is_table(value):
            for entry in value:
                lines += ["", f"[[{key}]]", *(f"{_key(k)} = {_value(v)}" for k, v in entry.items())]
    return "\n".join(lines) + "\n"


def _is_table(value: object) -> bool:
    if isinstance(value, Mapping):
        return True
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(entry, Mapping) for entry in value)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | Decimal):
        return str(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(entry) for entry in value)}]"
    return _text(str(value))


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _text(key)


def _text(text: str) -> str:
    """Return *text* as a TOML string: in single quotes, which keep a regular expression readable, where that can be."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    out = []
    for letter in text:
        if letter in '"\\':
            out.append("\\" + letter)
        elif ord(letter) < 32 or ord(letter) == 127 or 0xD800 <= ord(letter) <= 0xDFFF:
            out.append(f"\\u{ord(letter):04x}")
        else:
            out.append(letter)
    return '"' + "".join(out) + '"'


def _one_line(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)
