"""Placebo: the whole analysis on logs that were shuffled, in which nothing can be.

Each driver's settings are dealt out anew among the runs of a day (see `shuffled`), so that whatever
is found then is false, on the team's own laps and whatever they are like.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from functools import cached_property
from multiprocessing import get_context
from typing import TYPE_CHECKING

import numpy as np

from pipeline.models.design import Design
from pipeline.models.effects import Effect, q_values
from pipeline.models.second_voice import in_order, log_of
from pipeline.models.shuffled import Log
from pipeline.models.verdicts import ALPHA, Margins, verdict
from pipeline.tables.outcomes import is_definite

if TYPE_CHECKING:
    from pipeline.models.season import Found
    from pipeline.tables.records import SeasonData

LOGS = 200
SHUFFLES = 399  # of each shuffled log: enough to tell 5 %, and quick
ANY = "any outcome"
# More finds than these would come about in one of a hundred honest analyses.
WARNING = 0.01


@dataclass(frozen=True)
class Tally:
    """Of one outcome, or of any, over the shuffled logs: how many logs there were, in how many an
    effect was called, how many intervals there were and how many of them held nothing at all."""

    outcome: str
    logs: int
    found: int
    intervals: int
    held: int

    @property
    def expected(self) -> float:
        """Logs in which an honest analysis calls an effect, at the most."""
        return ALPHA * self.logs

    @property
    def is_too_many(self) -> bool:
        from scipy.stats import binom

        return bool(binom.sf(self.found - 1, self.logs, ALPHA) < WARNING)

    def words(self) -> str:
        """'pace: found in 3 of 200 shuffled logs (10 at most are expected); 95 % of ...'"""
        held = f"{100 * self.held / self.intervals:.1f} %" if self.intervals else "none"
        return (
            f"{self.outcome}: an effect was found in {self.found} of {self.logs} shuffled logs (at "
            f"most {self.expected:.0f} are expected); {held} of {self.intervals} intervals held "
            "nothing at all (95 % are expected)"
        )


@dataclass(frozen=True)
class Shuffler:
    """A season, analysed once, whose log can be shuffled."""

    found: Found

    @property
    def data(self) -> SeasonData:
        return self.found.data

    @property
    def _design(self) -> Design:
        return self.found.design

    @cached_property
    def _team(self) -> np.ndarray:
        return in_order(self._design)

    @cached_property
    def _log(self) -> Log:
        return log_of(self._design, self._team)

    def shuffled(self, seed: int) -> SeasonData:
        """The season with another log."""
        order = self._log.shuffled(1, np.random.default_rng(seed))[0]
        rows = self._design.index[self._team]
        names = [factor.name for factor in self.data.factors]
        runs = self.data.runs.copy()
        dealt = runs[names].to_numpy(object)
        dealt[rows] = dealt[rows[order]]
        for place, name in enumerate(names):
            runs[name] = runs[name].astype(object)
            runs[name] = dealt[:, place]
        return replace(self.data, runs=runs, claims=())


def placebo(
    data: SeasonData,
    logs: int = LOGS,
    *,
    workers: int = 1,
    progress: Callable[[int], None] | None = None,
) -> list[Tally]:
    """A tally for each outcome. progress: called with the number of logs done.

    Interrupted, it gives what was done until then.
    """
    done: list[dict[str, tuple[bool, int, int]]] = []
    try:
        for one in _each(data, logs, workers):
            done.append(one)
            if progress is not None:
                progress(len(done))
    except KeyboardInterrupt:
        if not done:
            raise
    names = [outcome.name for outcome in (*data.outcomes, *data.feels)]
    return [_tally(name, [one[name] for one in done]) for name in (*names, ANY)]


def placebo_sentence(tallies: Sequence[Tally]) -> str:
    """The line of the page: what was found on the team's own laps where nothing can be."""
    every = next(tally for tally in tallies if tally.outcome == ANY)
    return (
        f"On your own laps, with the log shuffled {every.logs} times, an effect was found "
        f"{every.found} times; at most {every.expected:.0f} are expected."
    )


def placebo_warning(tallies: Sequence[Tally]) -> str:
    """'' where no more was found than chance allows."""
    wrong = [tally.outcome for tally in tallies if tally.is_too_many]
    if not wrong:
        return ""
    return (
        f"{placebo_sentence(tallies)} That is more than chance allows ({', '.join(wrong)}): these "
        "runs vary in a way that the analysis does not see. Read every effect with care."
    )


def _tally(outcome: str, of: Sequence[tuple[bool, int, int]]) -> Tally:
    found, intervals, held = (int(sum(column)) for column in zip(*of, strict=True))
    return Tally(outcome, len(of), found, intervals, held)


def _each(data: SeasonData, logs: int, workers: int) -> Iterator[dict[str, tuple[bool, int, int]]]:
    if workers == 1:
        shuffler = _shuffler(data)
        yield from (_one(shuffler, seed) for seed in range(logs))
        return
    with ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_keep, initargs=(data,)
    ) as pool:
        jobs = [pool.submit(_one_kept, seed) for seed in range(logs)]
        try:
            yield from (job.result() for job in as_completed(jobs))
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


_KEPT: list[Shuffler] = []  # of a worker process: the season is sent to it once


def _keep(data: SeasonData) -> None:
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that asked says when to stop
    _KEPT.append(_shuffler(data))


def _shuffler(data: SeasonData) -> Shuffler:
    from pipeline.models.season import estimate

    return Shuffler(estimate(data, conditions=()))


def _one_kept(seed: int) -> dict[str, tuple[bool, int, int]]:
    return _one(_KEPT[0], seed)


def _one(shuffler: Shuffler, seed: int) -> dict[str, tuple[bool, int, int]]:
    """For each outcome whether an effect was called, how many intervals there were, and how many
    held nothing."""
    from pipeline.models.season import with_other_log

    found = shuffler.found
    effects = with_other_log(found, shuffler.shuffled(seed), SHUFFLES)
    told = [(e, float(q)) for e, q in zip(effects, q_values(effects), strict=True) if e.estimate]
    of_each = [(effect.outcome, *_said(effect, q, found.margins)) for effect, q in told]
    return {
        name: _counted([said for outcome, *said in of_each if name in (outcome, ANY)])
        for name in (*(o.name for o in (*shuffler.data.outcomes, *shuffler.data.feels)), ANY)
    }


def _said(effect: Effect, q_value: float, margins: Margins) -> tuple[bool, bool]:
    """Whether an effect is called, and whether its interval holds nothing."""
    estimate = effect.estimate
    assert estimate is not None
    margin, p_shuffled = margins[effect.of], effect.shuffled.p_value
    low, high = estimate.interval()
    words = verdict(effect.of, estimate, q_value, margin, p_shuffled)
    return is_definite(words), low <= 0 <= high


def _counted(said: Sequence[Sequence[bool]]) -> tuple[bool, int, int]:
    return any(found for found, _ in said), len(said), sum(held for _, held in said)
