"""A folder's content."""

from __future__ import annotations

from pathlib import Path


def tree(folder: Path, times: bool = False) -> dict[str, object]:
    """Every file and folder below, with its content, or also its time of change."""
    found: dict[str, object] = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.name == ".lock":
            continue
        found[name] = path.read_bytes() if path.is_file() else None
        if times:
            found[name] = (found[name], path.stat().st_mtime_ns)
    return found
