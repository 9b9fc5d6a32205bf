"""Results that are kept in the store: safe to delete, and never trusted for other data."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.models.placebo import Tally
    from pipeline.tables.records import SeasonData

FOLDER = Path("store", "results")
PLACEBO = "placebo.json"


def fingerprint(data: SeasonData) -> str:
    """Of all that an analysis depends on: runs, laps, factors, and the tool's version."""
    from pandas.util import hash_pandas_object

    from pipeline import __version__

    digest = hashlib.sha256(repr((__version__, data.factors, data.race_seconds)).encode())
    for frame in (data.runs, data.laps):
        digest.update("\0".join(map(str, frame.columns)).encode())
        digest.update(hash_pandas_object(frame, index=False).to_numpy().tobytes())
    return digest.hexdigest()


def keep_placebo(folder: Path, data: SeasonData, tallies: Sequence[Tally]) -> None:
    """Write what was found; where the store cannot be written nothing is kept."""
    from pipeline.tables.outputs import write_files

    kept = {"of": fingerprint(data), "tallies": [asdict(tally) for tally in tallies]}
    content = {PLACEBO: json.dumps(kept, indent=1).encode()}
    write_files(folder / FOLDER, content, force=True, listed=False)


def kept_placebo(folder: Path, data: SeasonData) -> list[Tally]:
    """What was found on these very data; [] where nothing was, or what is kept is of others."""
    from pipeline.models.placebo import Tally

    try:
        kept = json.loads((folder / FOLDER / PLACEBO).read_text("utf-8"))
        if kept["of"] != fingerprint(data):
            return []
        return [Tally(**tally) for tally in kept["tallies"]]
    except (OSError, ValueError, KeyError, TypeError):
        return []
