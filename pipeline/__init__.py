"""Lap-timing analysis: exports to laps, laps to runs, runs to effects of setup changes."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("backtoback")
except PackageNotFoundError:  # a checkout on the path, not installed
    __version__ = "0+unknown"
