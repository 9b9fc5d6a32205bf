"""Results that are kept in the store: safe to delete, and never trusted for other data."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.store.results import FOLDER, keep, kept
from pipeline.tables.digest import digest_of

if TYPE_CHECKING:
    from pipeline.models.placebo import Tally
    from pipeline.tables.records import SeasonData, SeasonResult

PLACEBO = "placebo.json"


def kept_season(folder: Path, name: str) -> SeasonResult | None:
    """The result of that name, see records.season_name; None where none is kept."""
    from pipeline.tables.packed import unpack

    raw = kept(folder, name)
    try:
        return None if raw is None else unpack(raw, _kinds())
    except ValueError:
        return None


def keep_season(folder: Path, name: str, result: SeasonResult) -> SeasonResult:
    """Keep it for the next command; the result as that one will read it."""
    from pipeline.tables.packed import pack, unpack

    try:
        raw = pack(replace(result, timings={}))
        again: SeasonResult = unpack(raw, _kinds())
    except (TypeError, ValueError):  # of a kind that cannot be kept
        return result
    keep(folder, name, raw)
    return replace(again, timings=result.timings)


def _kinds() -> list[type]:
    from pipeline.decide.places import Property
    from pipeline.tables.decisions import Decisions
    from pipeline.tables.records import SeasonResult

    return [SeasonResult, Decisions, Property]


def kept_drawing(folder: Path, of: Any, draw: Callable[[], str]) -> str:
    """The drawing of these data as it was kept, or drawn now and kept."""
    name = f"drawing-{digest_of(of)}"
    raw = kept(folder, name)
    if raw is None:
        raw = draw().encode()
        keep(folder, name, raw)
    return raw.decode()


def keep_placebo(folder: Path, data: SeasonData, tallies: Sequence[Tally]) -> None:
    """Write what was found; where the store cannot be written nothing is kept."""
    from pipeline.tables.outputs import write_files

    found: dict[str, Any] = {"of": digest_of(data), "tallies": [asdict(one) for one in tallies]}
    content = {PLACEBO: json.dumps(found, indent=1).encode()}
    write_files(folder / FOLDER, content, force=True, listed=False)


def kept_placebo(folder: Path, data: SeasonData) -> list[Tally]:
    """What was found on these very data; [] where nothing was, or what is kept is of others."""
    try:
        found = json.loads((folder / FOLDER / PLACEBO).read_text("utf-8"))
        if found["of"] != digest_of(data):
            return []
        from pipeline.models.placebo import Tally

        return [Tally(**tally) for tally in found["tallies"]]
    except (OSError, ValueError, KeyError, TypeError):
        return []
