"""Rows of the study's tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator


def head(*names: str) -> Iterator[str]:
    yield row(*names)
    yield "|" + "---|" * len(names)


def row(*cells: object) -> str:
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def listed(values: Iterable[float], digits: int) -> str:
    return ", ".join(f"{value:.{digits}f}" for value in values)
