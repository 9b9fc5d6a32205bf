"""Page data → one self-contained HTML file. No arithmetic here, no words but the layout's."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.report.look import SHOWN
from pipeline.report.views import Page
from pipeline.report.words import printable
from pipeline.tables.outputs import write_files

_UNIT = re.compile(r"(?<=\d) (?=(?:%|s|ms|mm|df)(?!\w))")  # no break between number and unit
MARKS = {name: mark for name, (*_, mark) in SHOWN.items()} | {"none": ""}


def render(page: Page, template: str = "page.html") -> str:
    """The page as HTML, with its style and script inside and allowed by their hashes alone."""
    more = "" if page.screen is None else asset("fit.css") + page.screen.rules
    return render_template(template, more_style=more, page=page, marks=MARKS)


def render_template(
    template: str, *, with_script: bool = True, more_style: str = "", **data: Any
) -> str:
    """Any template that extends base.html; `data` is what it shows."""
    style = asset("style.css") + more_style
    script = asset("table.js") if with_script else ""
    return environment().get_template(template).render(
        style=Markup(style), script=Markup(script), policy=policy(style, script), **data
    )  # fmt: skip


def policy(style: str, script: str = "") -> str:
    """A content-security policy that lets in this style, this script, and nothing else."""
    rules = ["default-src 'none'", f"style-src '{_hash(style)}'"]
    if script:
        rules.append(f"script-src '{_hash(script)}'")
    return "; ".join([*rules, "img-src data:", "base-uri 'none'", "form-action 'none'"])


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return "sha256-" + base64.b64encode(digest).decode()


@cache
def asset(name: str, room: str = "pipeline.report") -> str:
    """A file of a room's templates folder as text."""
    return resources.files(room).joinpath("templates", name).read_text("utf-8")


def _printable(value: Any) -> Any:
    """Text for the page, applied to everything that a template puts in."""
    return _UNIT.sub("\u00a0", printable(value)) if type(value) is str else value


@cache
def environment(room: str = "pipeline.report") -> Environment:
    """The templates of a room, escaped by default."""
    return Environment(
        loader=PackageLoader(room, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def write_page(path: Path, html: str, *, force: bool = False) -> Path:
    """The page alone, see outputs.write_files; its path."""
    (written,) = write_files(path.parent, {path.name: html.encode()}, force=force)
    return written
