"""Lap-timing analysis: exports to laps, laps to runs, runs to effects of setup changes.

`analyse` analyses frames in memory. Faults of what it is given raise `UserError`, a wrong call
its child `CallError`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.errors import CallError, UserError
    from pipeline.public.analysing import analyse

__all__ = ["CallError", "UserError", "analyse"]

# Looked up when asked for: what stands behind them takes longer to load than `--help`.
_PLACES = {
    "CallError": "pipeline.errors",
    "UserError": "pipeline.errors",
    "analyse": "pipeline.public.analysing",
}


def __getattr__(name: str) -> Any:
    """A public name, or `__version__`, when it is first asked for."""
    if name in _PLACES:
        from importlib import import_module

        return getattr(import_module(_PLACES[name]), name)
    if name != "__version__":
        raise AttributeError(f"module 'pipeline' has no attribute '{name}'")
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("backtoback")
    except PackageNotFoundError:  # a checkout on the path, not installed
        return "0+unknown"
