"""The examples of the public names and of README run, and give what stands below them."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from pathlib import Path
from types import ModuleType
from typing import Any

import pandas as pd
import pytest

import pipeline
from pipeline.public import analysing, days, joined, teams

README = Path(__file__).parents[2] / "README.md"
MODULES = (analysing, days, teams)
pytestmark = pytest.mark.slow


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_examples(module: ModuleType, demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(demo.parent)
    found = doctest.testmod(module)
    assert found.attempted and not found.failed


def test_every_public_function_has_an_example() -> None:
    names = [name for name in pipeline.__all__ if not name.endswith("Error")]
    methods = [m for m in vars(teams.OpenTeam) if not m.startswith("_")]
    asked = [getattr(pipeline, name) for name in names]
    asked += [
        vars(teams.OpenTeam)[m] for m in methods if m not in ("team", "name", "notes", "join")
    ]
    without = [one.__qualname__ for one in asked if ">>> " not in (one.__doc__ or "")]
    assert len(asked) >= 7 and without == []


def test_the_three_lines_of_readme_give_the_effects(
    demo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demo.parent)
    (block,) = re.findall(r"^```python\n(.*?)^```", README.read_text("utf-8"), re.M | re.S)
    lines = ast.parse(block).body
    assert len(lines) == 3
    names: dict[str, Any] = {}
    exec(compile(ast.Module(lines[:-1], []), "README.md", "exec"), names)
    shown = eval(block.strip().splitlines()[-1], names)
    assert isinstance(shown, pd.DataFrame) and len(shown) > 50


def test_public_names_are_no_folders() -> None:
    folders = {path.name for path in Path(pipeline.__file__).parent.iterdir() if path.is_dir()}
    assert not folders & set(pipeline.__all__)
    assert all(hasattr(pipeline, name) for name in pipeline.__all__)
    assert importlib.import_module("pipeline.public.joined") is joined
