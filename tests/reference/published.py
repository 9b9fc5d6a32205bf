"""Reads values.json: the published and computed numbers, each with its source and standing."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

FOLDER = Path(__file__).parent


@cache
def all_checks() -> dict[str, Any]:
    return dict(json.loads((FOLDER / "values.json").read_text("utf-8"))["checks"])


def check(name: str) -> dict[str, Any]:
    """One check: dataset, model, values, published (with source and status), provenance."""
    return dict(all_checks()[name])


def values(name: str) -> dict[str, Any]:
    return dict(check(name)["values"])


def data(name: str, **options: Any) -> pd.DataFrame:
    """A data set of `data/`, rows in the published order."""
    return pd.read_csv(FOLDER / "data" / f"{name}.csv", **options)
