"""Says on stderr what is being done and how far it is, once it has taken two seconds; times it."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from tqdm import tqdm

QUIET_S = 2.0
# Shares of a season's time, as a team of five with seven meetings takes it: what the bar goes by.
SEASON = {
    "reading": 8.0, "libraries": 5.0, "design": 1.0, "laps": 1.0, "identify": 1.0, "axes": 3.0,
    "fits": 38.0, "choices": 30.0, "report": 8.0,
}  # fmt: skip
PARTS = 6  # a stage that is said again has gone on by one of so many parts: outcomes of the fits
_SHOWN = "  {desc} |{bar:24}| {percentage:3.0f} %  {remaining} left"


class Steps:
    """Called with the name of each stage as it begins, and again as a part of it is done.

    Nothing is said before two seconds have passed since the start, so that short jobs stay silent;
    then on a terminal a bar with the time that is left, elsewhere a line a stage. `report` prints
    the time of each. expected: stage → its share of the time, in any unit.
    """

    def __init__(self, expected: Mapping[str, float] | None = None) -> None:
        self._started = self._stage_started = time.perf_counter()
        self._stage = ""
        self._parts = 0
        self._passed = 0.0
        self._expected = dict(expected or {})
        self._bar: tqdm[Any] | None = None
        self.seconds: dict[str, float] = {}
        self.side_by_side: dict[str, float] = {}  # jobs of one stage, processor seconds

    def expect(self, more: Mapping[str, float]) -> None:
        """Further stages that will come."""
        self._expected |= more

    def __call__(self, stage: str) -> None:
        now = time.perf_counter()
        if stage and stage == self._stage:
            self._parts += 1
        else:
            self._end_stage(now)
            self._stage, self._stage_started, self._parts = stage, now, 0
            if stage and not self._has_terminal and now - self._started > QUIET_S:
                click.echo(f"  {stage} …", err=True)
        if self._has_terminal:
            self._show(now)

    def _end_stage(self, now: float) -> None:
        if self._stage:
            spent = self.seconds.get(self._stage, 0.0)
            self.seconds[self._stage] = spent + now - self._stage_started
            self._passed += self._expected.get(self._stage, 0.0)

    @property
    def _has_terminal(self) -> bool:
        return sys.stderr.isatty()

    def _show(self, now: float) -> None:
        """The bar, drawn again; without a stage it goes, so that words can be said."""
        if not self._stage:
            if self._bar is not None:
                self._bar.close()
                self._bar = None
            return
        if now - self._started <= QUIET_S:
            return
        whole = max(sum(self._expected.values()), self._passed)
        within = self._expected.get(self._stage, 0.0) * min(self._parts / PARTS, 1.0)
        if self._bar is None:
            self._bar = _bar(whole, time.time() - (now - self._started))
        self._bar.total, self._bar.n = whole or None, self._passed + within
        self._bar.set_description_str(self._stage)

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


def _bar(total: float, started: float) -> tqdm[Any]:
    from tqdm import tqdm

    tqdm.monitor_interval = 0  # its thread would keep the fits from processes of their own
    # The delay keeps it from being drawn before it is told where it stands.
    bar = tqdm(
        total=total or None, bar_format=_SHOWN, leave=False, smoothing=0, file=sys.stderr,
        delay=1e-9,
    )  # fmt: skip
    bar.start_t = started
    return bar
