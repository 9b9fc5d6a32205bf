"""A timing export in any shape becomes normalised laps; what cannot be used is set aside."""

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
