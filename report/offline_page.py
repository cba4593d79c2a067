"""Pages for a browser that are one file: no script, no font of their own, and nothing that is fetched.

A policy in the page forbids all that it does not carry itself, so that a slip of ours shows as a hole and never as a
request. What comes from outside is escaped by the templates; they decide nothing and get finished strings.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

_TEMPLATES: Final = files("report") / "templates"


def offline_page(template: str, **values: Any) -> str:
    """Return the page that *template*, which extends offline_page.html, makes of *values*.

    Args:
        template: Its file in report/templates.
        values: What it asks for; texts are escaped, Markup is not.
    """
    style = Markup((_TEMPLATES / "offline_page.css").read_text(encoding="utf-8"))  # noqa: S704 - our own file
    page: str = _environment().get_template(template).render(style=style, **values)
    return page


@cache
def _environment() -> Environment:
    def load(name: str) -> str:
        return (_TEMPLATES / name).read_text(encoding="utf-8")

    return Environment(
        loader=FunctionLoader(load), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
