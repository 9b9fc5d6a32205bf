"""The demo team's folder with its exports in the store, for examples and comparisons."""

from __future__ import annotations

from pathlib import Path

from pipeline.cli.demo import copy_demo, import_all
from pipeline.cli.steps import Steps
from pipeline.public.teams import open_team


def demo_folder(out: Path) -> Path:
    """The folder at `out`, imported and not analysed."""
    copy_demo(out)
    import_all(open_team(out), Steps())
    return out
