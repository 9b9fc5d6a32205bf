"""Where a page comes from: command, versions, and a digest of every input."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from pipeline import __version__

LIBRARIES = ("numpy", "scipy", "pandas", "statsmodels", "pyarrow", "plotnine")
DIGITS = 12
# What the results depend on: the team's own files and the store.
PATTERNS = ("*.toml", "*.csv", "*.xlsx", "*.ods", "store/**/*.parquet")


@dataclass(frozen=True)
class Provenance:
    """command; version of this tool; day (ISO); inputs: (file, first digits of its SHA-256).

    digest: of all inputs together, which stays where the list of files may not be shown.
    """

    command: str
    version: str
    day: str
    inputs: tuple[tuple[str, str], ...]
    libraries: tuple[tuple[str, str], ...]
    digest: str


def provenance(folder: Path, command: str, day: str) -> Provenance:
    """The provenance of results made from a team folder."""
    inputs = _inputs(folder)
    return Provenance(command, __version__, day, inputs, _libraries(), _together(inputs))


def _together(inputs: tuple[tuple[str, str], ...]) -> str:
    joined = "\n".join(f"{name} {digest}" for name, digest in inputs)
    return hashlib.sha256(joined.encode()).hexdigest()[:DIGITS]


def _inputs(folder: Path) -> tuple[tuple[str, str], ...]:
    files = sorted({file for pattern in PATTERNS for file in folder.glob(pattern)})
    return tuple(
        (file.relative_to(folder).as_posix(), _digest(file)) for file in files if file.is_file()
    )


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()[:DIGITS]


def _libraries() -> tuple[tuple[str, str], ...]:
    return tuple((name, metadata.version(name)) for name in LIBRARIES)
