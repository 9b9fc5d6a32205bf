"""Answers as dicts: what a command prints with --json, with what it was made from."""

from __future__ import annotations

from typing import Any


class Answer(dict[str, Any]):
    """A dict as `--json` prints; `report` is the record that its numbers were taken from."""

    def __init__(self, cells: dict[str, Any], report: Any) -> None:
        super().__init__(cells)
        self.report = report
