"""One outcome's mixed model: a response over runs, put beside the design's columns and fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.errors import UserError
from pipeline.models.axis import PER_STEP
from pipeline.models.design import Block, Design, independent
from pipeline.models.engine.arrow import NotPositiveError
from pipeline.models.engine.inference import Estimate, contrasts
from pipeline.models.engine.rows import Array, Codes, SdPrior
from pipeline.models.engine.solver import Fit, Penalised, Rows, fit_rows

OWN_RUN = "run of the team"
# How much effects differ between meetings, drivers or conditions: SD log-normal, its median 0.6 of
# the SD of a run (0.05 s where runs vary by 0.08 s), log-SD 1. By trial over 2 to 6 meetings and
# SDs of 0 to 0.08 s: REML alone takes too many for zero, other shapes fall back to it.
VARYING_SHARE, VARYING_LOG_SD = 0.6, 1.0
# How much a day's grip bends: SD log-normal, its median 0.4 of the SD of a run per hour^1.5 (a day
# of 8 hours that gains 0.6 s and flattens bends by 0.03 s where runs vary by 0.08 s), log-SD 1.
# With two cars alone the bend comes out as zero on six days of ten, and intervals that take the
# straight line for known then hold in 91 %.
BEND_SHARE, BEND_LOG_SD = 0.4, 1.0


@dataclass(frozen=True)
class Response:
    """What is modelled, by rows.

    y: (n,). run: (n,) rows of the design, -1 for rows that carry only within-run information.
    within: (n, k) columns of the within-run basis. diagonal: (n, m) coefficients of the row
    variances, named in variance_names. known: (n,) or None. null_rows, null_log_scale: of the
    first variance. outcome: its name, for messages.
    """

    y: Array
    run: Codes
    within: Array
    diagonal: Array
    variance_names: tuple[str, ...]
    known: Array | None = None
    null_rows: float = 0.0
    null_log_scale: float = 0.0
    outcome: str = ""

    @property
    def is_run(self) -> NDArray[np.bool_]:
        return self.run >= 0


@dataclass(frozen=True)
class OutcomeFit:
    """A fitted outcome and where its columns stand.

    contrast_at: column of each contrast in the fixed columns, where it was kept. fixed_at: the
    same for the design's fixed columns. within_at: for the within-run basis. blocks: slices of u
    and the blocks themselves. usual_sd: of a run, by moments, which priors are in units of.
    """

    response: Response
    fit: Fit
    contrast_at: Mapping[str, int]
    fixed_at: Mapping[str, int]
    within_at: tuple[int | None, ...]
    blocks: tuple[tuple[Block, slice], ...]
    centre: float
    usual_sd: float = 0.0

    @property
    def p(self) -> int:
        return len(self.fit.beta)

    @property
    def run_variance(self) -> float:
        """Of the team's runs."""
        return self.fit.variance(OWN_RUN if OWN_RUN in self.fit.names else "run")

    def combination(
        self, weights: Mapping[str, float], groups: Sequence[tuple[str, str, float]] = ()
    ) -> tuple[Array, Array] | None:
        """(fixed, penalised) vectors of sum weight x contrast, plus random slopes.

        groups: (block name, group, share) whose deviations are added for the same contrasts.
        None where a contrast is not in the model.
        """
        fixed = np.zeros(self.p)
        penalised = np.zeros(len(self.fit.u))
        for name, weight in weights.items():
            if name not in self.contrast_at:
                return None
            fixed[self.contrast_at[name]] += weight
            for block_name, group, per_unit in groups:
                position = self._slope(block_name, name, group)
                if position is not None:
                    penalised[position] += weight * per_unit
        return fixed, penalised

    @property
    def variances(self) -> dict[str, float]:
        """By name."""
        return dict(zip(self.fit.names, self.fit.theta, strict=True))

    def sd_of(self, name: str) -> float:
        """SD of a penalised block; 0 where there is none."""
        return float(np.sqrt(self.fit.variance(name))) if name in self.fit.names else 0.0

    def _slope(self, block_name: str, contrast: str, group: str) -> int | None:
        for block, where in self.blocks:
            if block.name == block_name and (contrast, group) in block.labels:
                return where.start + block.labels.index((contrast, group))
        return None

    def estimates(self, combinations: Sequence[tuple[Array, Array]]) -> list[Estimate]:
        """Estimates of several combinations, after Kenward and Roger."""
        if not combinations:
            return []
        fixed = np.column_stack([f for f, _ in combinations])
        penalised = np.column_stack([u for _, u in combinations])
        return contrasts(self.fit, fixed, penalised, "kenward-roger")


class TooFewError(UserError):
    """The runs are too few, or too much alike, for the model of an outcome."""


@dataclass(frozen=True)
class OutcomeFits:
    """All fits of a mixed-model outcome: over everything, one a condition variable, and one an axis
    ('grip per step') along which there are gradients."""

    base: OutcomeFit
    by_variable: Mapping[str, OutcomeFit]
    factor: float
    axes: Mapping[str, OutcomeFit] = field(default_factory=dict)

    @property
    def along(self) -> OutcomeFit | None:
        """The fit with gradients along grip, where there are any."""
        return self.axes.get(PER_STEP)


def fit_outcome(
    design: Design,
    response: Response,
    extra: Sequence[Block] = (),
    start: Mapping[str, float] | None = None,
    learned: Mapping[str, SdPrior] | None = None,
) -> OutcomeFit:
    """Fit one response.

    extra: further penalised blocks. start: first guesses by name. learned: priors of blocks by
    name, instead of the weak ones. Raises TooFewError where the runs are too few, or too much
    alike, for any variance to be told.
    """
    is_run = response.is_run
    if not is_run.any():
        raise TooFewError(f"no run has clean laps enough to tell {response.outcome}")
    run = np.where(is_run, response.run, 0)

    of_run = sparse.csr_array(
        (np.ones(is_run.sum()), (np.flatnonzero(is_run), run[is_run])),
        shape=(len(run), len(design.hour)),
    )
    contrast_columns = [c.values / c.scale for c in design.contrasts]
    run_columns = np.column_stack([design.fixed, *contrast_columns])
    X = np.hstack([of_run @ run_columns, response.within])
    kept = independent(X)
    blocks = [block for block in (*design.blocks, *extra) if block.columns.shape[1]]
    penalised = tuple(Penalised(b.name, of_run @ b.columns) for b in blocks)
    levels, level_names = _levels(design, run, is_run)
    names = (*response.variance_names, *level_names, *(b.name for b in blocks))
    centre = float(response.y[is_run].mean())
    parts, pieces = _parts(design, run, is_run)
    m = response.diagonal.shape[1]
    guess = start_values(design, response, X[:, kept], blocks)
    usual_sd = float(np.sqrt(2 * guess["run"]))
    priors = _priors(blocks, usual_sd)
    priors |= {name: prior for name, prior in (learned or {}).items() if name in priors}
    guess |= {name: prior.median**2 for name, prior in priors.items()} | dict(start or {})
    rows = Rows(
        y=response.y - np.where(is_run, centre, 0.0),
        X=X[:, kept],
        diagonal=response.diagonal,
        known=response.known,
        levels=levels,
        penalised=penalised,
        null_rows=np.r_[response.null_rows, np.zeros(m - 1)],
        null_log_scale=np.r_[response.null_log_scale, np.zeros(m - 1)],
        names=names,
        priors=priors,
        parts=parts,
        pieces=pieces,
    )
    try:
        with np.errstate(all="ignore"):  # of runs all alike the variances tried come near zero
            fit = fit_rows(rows, np.array([guess[name] for name in names]))
    except NotPositiveError:
        raise TooFewError(
            f"the runs ({is_run.sum()}) are too few, or too much alike, for the model of "
            f"{response.outcome}"
        ) from None
    return replace(_located(design, response, fit, kept, blocks, centre), usual_sd=usual_sd)


def fit_if_enough(
    design: Design,
    response: Response,
    extra: Sequence[Block] = (),
    start: Mapping[str, float] | None = None,
) -> OutcomeFit | None:
    """The same; None where the runs are too few, or too much alike."""
    try:
        return fit_outcome(design, response, extra, start)
    except TooFewError:
        return None


def _priors(blocks: Sequence[Block], run_sd: float) -> dict[str, SdPrior]:
    """On the SDs that a season knows little of. run_sd: of a usual run, in the response's unit."""
    varying = SdPrior(VARYING_SHARE * run_sd, VARYING_LOG_SD)
    bend = SdPrior(BEND_SHARE * run_sd, BEND_LOG_SD)
    named = {block.name: varying for block in blocks if block.varies}
    return named | {block.name: bend for block in blocks if block.name.startswith("grip ")}


def _parts(
    design: Design, run: Codes, is_run: NDArray[np.bool_]
) -> tuple[Codes | None, Codes | None]:
    """Rows that share few columns with others: meetings; and in them the team's and the rest.

    The rows of within-run information are a part of their own. A driver who was of the team for
    some runs of a meeting keeps that meeting whole: a driver at a meeting lies in one piece.
    """
    names, meeting = np.unique(design.runs["meeting"].to_numpy(str), return_inverse=True)
    if len(names) == 1:
        return None, None
    entries = np.bincount(design.entry)
    of_team = np.bincount(design.entry, design.team)
    mixed = np.isin(meeting, meeting[(of_team % np.maximum(entries, 1) > 0)[design.entry]])
    pieces = (design.team & ~mixed)[run] & is_run
    return np.where(is_run, meeting[run], len(names)).astype(np.intp), pieces.astype(np.intp)


def _levels(
    design: Design, run: Codes, is_run: NDArray[np.bool_]
) -> tuple[tuple[Codes, ...], tuple[str, ...]]:
    """Driver, and driver at meeting where that is something else."""
    driver, entry = design.driver[run], design.entry[run]
    levels, names = [], []
    if len(np.unique(driver[is_run])) > 1:
        levels.append(np.where(is_run, driver, -1))
        names.append("driver")
    if len(np.unique(entry[is_run])) > len(np.unique(driver[is_run])):
        levels.append(np.where(is_run, entry, -1))
        names.append("driver at meeting")
    return tuple(levels), tuple(names)


def start_values(
    design: Design, response: Response, X: Array, blocks: Sequence[Block]
) -> dict[str, float]:
    """First guesses of all variances, by moments of the run rows about least squares.

    The variance about the means of driver at meeting is shared between the run and the penalised
    blocks; the means themselves give the driver levels.
    """
    is_run = response.is_run
    run = response.run[is_run]
    y = response.y[is_run]
    y = y - X[is_run] @ np.linalg.lstsq(X[is_run], y, rcond=None)[0]
    entry_mean, within = _about_means(y, design.entry[run])
    driver_mean, between = _about_means(entry_mean, design.driver[run])
    within = max(within, 1e-3 * float(np.var(y)), 1e-300)
    known = 0.0 if response.known is None else float(response.known[is_run].mean())
    guess = {
        "driver": max(float(np.var(driver_mean)), within),
        "driver at meeting": max(between, 0.1 * within),
        "run": max(within - known, 0.2 * within) / 2,
    }
    guess[OWN_RUN] = guess["run"]
    if response.variance_names[0] == "lap":
        carries = ~is_run
        total = float((response.y[carries] ** 2 / response.diagonal[carries, 0]).sum())
        guess["lap"] = max(total / (carries.sum() + response.null_rows), 1e-3 * within)
    for block in blocks:
        size = float((block.columns[run] ** 2).sum()) / len(run)
        guess[block.name] = 0.15 * within / max(size, 1e-300)
    return guess


def _about_means(values: Array, group: Codes) -> tuple[Array, float]:
    """Each row's group mean, and the variance about the group means."""
    group = np.unique(group, return_inverse=True)[1]
    n = np.bincount(group)
    mean = (np.bincount(group, values) / n)[group]
    return mean, float(((values - mean) ** 2).sum() / max(len(values) - len(n), 1))


def _located(
    design: Design,
    response: Response,
    fit: Fit,
    kept: Codes,
    blocks: Sequence[Block],
    centre: float,
) -> OutcomeFit:
    at = {int(column): position for position, column in enumerate(kept)}
    p, c = design.fixed.shape[1], len(design.contrasts)
    within = range(p + c, p + c + response.within.shape[1])
    ends = np.cumsum([0, *(b.columns.shape[1] for b in blocks)])
    return OutcomeFit(
        response=response,
        fit=fit,
        contrast_at={x.name: at[p + i] for i, x in enumerate(design.contrasts) if p + i in at},
        fixed_at={name: at[i] for i, name in enumerate(design.fixed_names) if i in at},
        within_at=tuple(at.get(i) for i in within),
        blocks=tuple(
            (block, slice(int(a), int(b)))
            for block, a, b in zip(blocks, ends[:-1], ends[1:], strict=True)
        ),
        centre=centre,
    )
