"""Options that several commands share, written once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

Function = Callable[..., Any]


def team_option(function: Function) -> Function:
    """`--team DIR` after the verb; the same option before the verb is the fallback."""
    return click.option(
        "--team",
        "team",
        type=click.Path(path_type=Path),
        default=None,
        callback=_team_folder,
        help="Team folder [default: the current folder].",
    )(function)


def json_option(function: Function) -> Function:
    """`--json`: one JSON object on stdout and nothing else there."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON object on stdout, nothing else."
    )(function)


def counted(number: int, thing: str) -> str:
    """'1 lap', '2 laps'."""
    return f"{number} {thing}{'s' * (number != 1)}"


def _team_folder(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path:
    before = ctx.find_root().obj or {}
    return Path(value or before.get("team") or ".")


def class_option(function: Function) -> Function:
    """`--class NAME`: needed only where the store holds several."""
    return click.option(
        "--class", "class_name", metavar="NAME", help="Racing class, where there are several."
    )(function)


def force_option(function: Function) -> Function:
    """`--force`: what is a person's may be replaced."""
    return click.option(
        "--force", is_flag=True, help="Replace files that backtoback did not make, or that changed."
    )(function)


def out_option(default: str) -> Callable[[Function], Function]:
    """`--out DIR`; the default in words."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path, file_okay=False),
        metavar="DIR",
        help=f"Where the pages go [default: {default}].",
    )


def fresh_option(function: Function) -> Function:
    """`--fresh`: results kept in the store do not count."""
    return click.option(
        "--fresh", is_flag=True, help="Analyse anew, whatever results are kept in the store."
    )(function)
