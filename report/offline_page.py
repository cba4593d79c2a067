"""Pages for a browser that are one file: no script, no font of their own, and nothing that is fetched.

A policy in the page forbids all that it does not carry itself, so that a slip of ours shows as a hole and never as a
request. What comes from outside is escaped by the templates; they decide nothing and get finished strings.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

_TEMPLATES: Final = files("report") / "templates"


def offline_page(template: str, page: Mapping[str, Any]) -> str:
    """Return the page that *template*, which extends offline_page.html, makes of *page*.

    Args:
        template: Its file in report/templates.
        page: What it shows; texts are escaped, Markup is not. Every page has a title, the shop, its kind, facts (labels and
            texts), notes, and the lines of its foot; what else, its template says.
    """
    style = Markup((_TEMPLATES / "offline_page.css").read_text(encoding="utf-8"))  # noqa: S704 - our own file
    made: str = _environment().get_template(template).render(style=style, p=page)
    return made


@cache
def _environment() -> Environment:
    def load(name: str) -> str:
        return (_TEMPLATES / name).read_text(encoding="utf-8")

    return Environment(
        loader=FunctionLoader(load), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
