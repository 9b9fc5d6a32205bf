"""Lap-timing analysis: exports to laps, laps to runs, runs to effects of setup changes."""


def __getattr__(name: str) -> str:
    """`__version__`, looked up when asked for: reading it takes longer than `--help`."""
    if name != "__version__":
        raise AttributeError(f"module 'pipeline' has no attribute '{name}'")
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("backtoback")
    except PackageNotFoundError:  # a checkout on the path, not installed
        return "0+unknown"
