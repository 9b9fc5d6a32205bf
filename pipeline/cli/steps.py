"""Says on stderr what is being done, once it has taken two seconds; times the stages."""

from __future__ import annotations

import time

import click

QUIET_S = 2.0


class Steps:
    """Called with the name of each stage as it begins.

    A stage is announced only when two seconds have passed since the start, so that short jobs
    stay silent. `report` prints the time of each.
    """

    def __init__(self) -> None:
        self._started = self._stage_started = time.perf_counter()
        self._stage = ""
        self.seconds: dict[str, float] = {}
        self.side_by_side: dict[str, float] = {}  # jobs of one stage, processor seconds

    def __call__(self, stage: str) -> None:
        now = time.perf_counter()
        if self._stage:
            spent = self.seconds.get(self._stage, 0.0)
            self.seconds[self._stage] = spent + now - self._stage_started
        self._stage, self._stage_started = stage, now
        if stage and now - self._started > QUIET_S:
            click.echo(f"  {stage} …", err=True)

    def report(self) -> str:
        """A line a stage: seconds and share."""
        self("")
        total = sum(self.seconds.values()) or 1.0
        lines = [f"{s:7.2f} s {s / total:5.0%}  {name}" for name, s in self.seconds.items()]
        lines.append(f"{total:7.2f} s       in all")
        if self.side_by_side:
            jobs = ", ".join(f"{name} {s:.2f} s" for name, s in self.side_by_side.items())
            lines.append(f"processor time of the fits, which run side by side: {jobs}")
        return "\n".join(lines)
