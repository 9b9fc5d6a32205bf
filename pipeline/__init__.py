"""Lap-timing analysis: exports to laps, laps to runs, runs to effects of setup changes.

`open_team` opens a team folder, `analyse` takes frames in memory, `plan_day` plans a test day.
Faults of what is given raise `UserError`, a wrong call its child `CallError`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.errors import CallError, UserError
    from pipeline.public.analysing import analyse
    from pipeline.public.days import plan_day
    from pipeline.public.teams import open_team

__all__ = ["CallError", "UserError", "analyse", "open_team", "plan_day"]

# Looked up when asked for: what stands behind them takes longer to load than `--help`.
_PLACES = {
    "CallError": "pipeline.errors",
    "UserError": "pipeline.errors",
    "analyse": "pipeline.public.analysing",
    "open_team": "pipeline.public.teams",
    "plan_day": "pipeline.public.days",
}


def __dir__() -> list[str]:
    """For completion: the public names too, before they are loaded."""
    return sorted({*globals(), *__all__})


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
