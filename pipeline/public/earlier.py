"""What earlier seasons say: each is analysed by itself, and what it says is kept in the store."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import UserError
from pipeline.models.earlier import Coefficients, Earlier, Key, Scatter, Told
from pipeline.store.results import FOLDER
from pipeline.tables.digest import digest_of

if TYPE_CHECKING:
    from pipeline.tables.records import SeasonData


def earlier_seasons(
    folder: Path, seasons: tuple[tuple[str, SeasonData], ...], *, keep: bool
) -> Iterator[Earlier]:
    """Those that can be analysed, oldest first. keep: for the next time."""
    from pipeline.decide.deciding import what_it_says
    from pipeline.models.season import estimate
    from pipeline.models.with_seasons import as_earlier

    for name, data in seasons:
        of = digest_of(data)
        found = _kept(folder, name, of)
        if found is None:
            try:
                alone = estimate(data)
                found = replace(as_earlier(name, alone), coefficients=what_it_says(alone))
            except UserError:  # no run of it can be used: it says nothing
                continue
            if keep:
                _keep(folder, found, of)
        yield found


def _file(name: str) -> str:
    """One file a season, whatever its name: what is kept of other data is written over."""
    return f"season-{hashlib.sha256(name.encode()).hexdigest()[:16]}.json"


def _keep(folder: Path, season: Earlier, of: str) -> None:
    from pipeline.tables.outputs import write_files

    told = [[*key, *one] for key, one in season.told.items()]
    kept = {"of": of, "told": told, "scatter": season.scatter}
    kept["coefficients"] = {
        outcome: {
            "keys": one.keys, "scale": one.scale, "estimate": one.estimate.tolist(),
            "covariance": one.covariance.tolist(), "df": one.df.tolist(),
            "has_meetings": one.has_meetings,
        }
        for outcome, one in season.coefficients.items()
    }  # fmt: skip
    content = {_file(season.name): json.dumps(kept).encode()}
    write_files(folder / FOLDER, content, force=True, listed=False)


def _kept(folder: Path, name: str, of: str) -> Earlier | None:
    """What was kept of these very data; None where nothing was."""
    try:
        kept = json.loads((folder / FOLDER / _file(name)).read_text("utf-8"))
        if kept["of"] != of:
            return None
        coefficients = {o: _coefficients(one) for o, one in kept["coefficients"].items()}
        told = dict(map(_told, kept["told"]))
        return Earlier(name, told, _scatter(kept["scatter"]), coefficients)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _told(cells: list[Any]) -> tuple[Key, Told]:
    words, numbers = cells[: len(Key._fields)], cells[len(Key._fields) :]
    estimate, std_error, df, meetings, p_shuffled = numbers
    told = Told(float(estimate), float(std_error), float(df), int(meetings), float(p_shuffled))
    return Key(*map(str, words)), told


def _scatter(kept: dict[str, list[float]]) -> dict[str, Scatter]:
    return {outcome: Scatter(*map(float, numbers)) for outcome, numbers in kept.items()}


def _coefficients(kept: dict[str, Any]) -> Coefficients:
    keys = tuple((str(factor), str(level), str(part)) for factor, level, part in kept["keys"])
    k = len(keys)
    estimate, df = (np.array(kept[name], float).reshape(k) for name in ("estimate", "df"))
    covariance = np.array(kept["covariance"], float).reshape(k, k)
    scale = tuple(map(float, kept["scale"]))
    return Coefficients(keys, scale, estimate, covariance, df, bool(kept["has_meetings"]))
