"""`backtoback`, and `python -m pipeline`."""

from __future__ import annotations

import signal


def start() -> None:
    """Run the command that was given."""
    # Until the commands are loaded, Ctrl-C ends the process without a trace of where it was.
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from pipeline.cli import main

    main()


if __name__ == "__main__":
    start()
