"""A timing export in any shape becomes normalised laps; what cannot be used is set aside.

Names are loaded when they are asked for: who only looks a reason up needs no reader of exports.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.read.export import read_export, understand
    from pipeline.read.reasons import REASONS, STATUSES, Reason
    from pipeline.read.records import Export, ReadOptions, SessionFacts, Understanding
    from pipeline.read.understanding import fingerprint

__all__ = [
    "REASONS",
    "STATUSES",
    "Export",
    "ReadOptions",
    "Reason",
    "SessionFacts",
    "Understanding",
    "fingerprint",
    "read_export",
    "understand",
]

_HOMES = {
    "export": ("read_export", "understand"),
    "reasons": ("REASONS", "STATUSES", "Reason"),
    "records": ("Export", "ReadOptions", "SessionFacts", "Understanding"),
    "understanding": ("fingerprint",),
}


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f"pipeline.read.{home}"), name)
    raise AttributeError(f"module 'pipeline.read' has no attribute '{name}'")
