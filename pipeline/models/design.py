"""Columns of the run-level models: meeting days, grip, session kinds, setup, random slopes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.models.contrasts import Contrast, setup_contrasts
from pipeline.models.grip import DISTINCT_HOURS, DayBasis, day_basis
from pipeline.tables.conditions import parted

if TYPE_CHECKING:
    import pandas as pd
    from scipy import sparse

    from pipeline.models.engine.rows import Array, Codes
    from pipeline.tables.records import SeasonData

# Effects that differ between two meetings differ between meetings: an interval that leaves that
# out holds in 72 % where they vary by 0.05 s.
LEAST_GROUPS_FOR_SLOPES = 2
# A line for the team takes a degree of freedom a day; with one left over the rest could not speak.
LEAST_DF_BESIDE_LINE = 2
LEAST_TIMES_FOR_LINE = 3
# Of two cars in a heat, what they share and what they differ by are told by the same two runs.
LEAST_CARS_OF_HEAT = 3
DRIVER_BLOCK, MEETING_BLOCK = "setup by driver", "setup by meeting"


@dataclass(frozen=True)
class Block:
    """Penalised run-level columns (R, q) with one variance.

    labels: what each column stands for. varies: its columns are deviations of effects, whose SD
    has a prior.
    """

    name: str
    columns: sparse.csr_array
    labels: tuple[tuple[str, ...], ...]
    varies: bool = False


@dataclass(frozen=True)
class Design:
    """Columns over the R runs that enter the models.

    index: (R,) rows of SeasonData.runs. fixed: (R, p) without the contrasts, named in
    fixed_names. driver, entry, day: (R,) codes (an entry is a driver at a meeting). hour: (R,).
    bases: one a day, named in `days` as (meeting, date, surface). blocks: grip, heats, then random
    slopes.
    """

    runs: pd.DataFrame
    index: Codes
    team: NDArray[np.bool_]
    fixed: Array
    fixed_names: tuple[str, ...]
    contrasts: tuple[Contrast, ...]
    driver: Codes
    entry: Codes
    day: Codes
    hour: Array
    days: tuple[tuple[str, str, str], ...]
    bases: tuple[DayBasis, ...]
    blocks: tuple[Block, ...]
    driver_names: tuple[str, ...]
    meeting_names: tuple[str, ...]


def in_condition(design: Design, condition: str) -> NDArray[np.bool_]:
    """Runs of the condition, (R,); 'all': every run."""
    variable, value = parted(condition)
    if not value:
        return np.ones(len(design.hour), bool)
    return np.asarray(design.runs[variable].astype(object).to_numpy() == value)


def build_design(data: SeasonData, index: Codes, *, penalised: bool = True) -> Design:
    """Design over the runs `index` (rows of data.runs, those that take part).

    penalised: with the blocks; what the data can tell needs none.
    """
    import pandas as pd

    runs = data.runs.iloc[index].reset_index(drop=True)
    contrasts = setup_contrasts(runs, data.factors)
    team = runs["team"].to_numpy(bool)
    driver, driver_names = pd.factorize(runs["driver"])
    meeting, meeting_names = pd.factorize(runs["meeting"])
    entry = _paired(driver, meeting)
    day, day_rows = _days(runs)
    hour = runs["hour"].to_numpy(float)
    bases = tuple(day_basis(hour[day == d]) for d in range(len(day_rows)))
    fixed, names = _fixed_columns(runs, day, hour, bases, entry, data)
    days = tuple(
        (runs["meeting"][r], runs["date"][r], _surface(runs["surface"][r])) for r in day_rows
    )
    blocks: list[Block] = []
    if penalised:
        blocks += _grip_blocks(day, hour, bases, days)
        blocks += _heat_blocks(runs)
        names_of = list(meeting_names), list(driver_names)
        blocks += _slope_blocks(contrasts, meeting, driver, entry, *names_of)
    return Design(
        runs=runs,
        index=index,
        team=team,
        fixed=fixed,
        fixed_names=names,
        contrasts=contrasts,
        driver=driver,
        entry=entry,
        day=day,
        hour=hour,
        days=days,
        bases=bases,
        blocks=tuple(blocks),
        driver_names=tuple(map(str, driver_names)),
        meeting_names=tuple(map(str, meeting_names)),
    )


def _surface(value: object) -> str:
    return value if isinstance(value, str) and value else "any"


def _paired(a: Codes, b: Codes) -> Codes:
    return np.unique(a * (b.max(initial=0) + 1) + b, return_inverse=True)[1]


def _days(runs: pd.DataFrame) -> tuple[Codes, Codes]:
    """Codes of the meeting days in order of date, and the first row of each."""
    keys = (runs["date"].astype(str) + "\0" + runs["meeting"].astype(str)).to_numpy(str)
    _, rows, codes = np.unique(keys, return_index=True, return_inverse=True)
    return codes, rows


def _fixed_columns(
    runs: pd.DataFrame,
    day: Codes,
    hour: Array,
    bases: Sequence[DayBasis],
    entry: Codes,
    data: SeasonData,
) -> tuple[Array, tuple[str, ...]]:
    """Day means, day trends, team, its own trends, session kinds, unknown settings: in order of
    precedence."""
    columns: list[Array] = []
    names: list[str] = []
    for d in range(len(bases)):
        columns.append((day == d).astype(float))
        names.append(f"day {d}")
    for d, basis in enumerate(bases):
        for line in basis.line(hour).T:
            columns.append(np.where(day == d, line, 0.0))
            names.append(f"trend {d}")
    team = runs["team"].to_numpy(bool)
    if team.any() and not team.all():
        columns.append(team.astype(float))
        names.append("team")
    for d, line in team_lines(team, day, hour, entry):
        columns.append(line)
        names.append(f"own trend {d}")
    kinds = runs["session_kind"]
    for kind in kinds.value_counts().index[1:]:
        columns.append((kinds == kind).to_numpy(float))
        names.append(f"kind {kind}")
    for factor in data.factors:
        unknown = team & runs[factor.name].isna().to_numpy(bool)
        if unknown.any():
            columns.append(unknown.astype(float))
            names.append(f"unknown {factor.name}")
    return np.column_stack(columns), tuple(names)


def team_lines(team: NDArray[np.bool_], day: Codes, hour: Array, entry: Codes) -> list:
    """(day, column (R,)): a line in time for the team alone, h from the middle of its day.

    What drifts for the team alone (it learns, or gains more from the track than the field) is
    else billed to the setup. On days on which rivals ran too, and the team enough.
    """
    out = []
    for d in np.unique(day):
        own = team & (day == d)
        left = int(own.sum()) - len(np.unique(entry[own])) - 1
        times = len(np.unique(np.round(hour[own] / DISTINCT_HOURS)))
        rivals = bool((~team & (day == d)).any())
        if rivals and left >= LEAST_DF_BESIDE_LINE and times >= LEAST_TIMES_FOR_LINE:
            middle = (hour[own].min() + hour[own].max()) / 2
            out.append((int(d), np.where(own, hour - middle, 0.0)))
    return out


def _heat_blocks(runs: pd.DataFrame) -> list[Block]:
    """What the cars of a heat share: an intercept for each heat of enough runs."""
    names = ["meeting", "date", "session", "heat"]
    heat = runs.groupby(names, sort=False, dropna=False).ngroup().to_numpy(np.intp)
    by_heat = np.split(np.argsort(heat, kind="stable"), np.cumsum(np.bincount(heat))[:-1])
    entries = [(rows, np.ones(len(rows))) for rows in by_heat if len(rows) >= LEAST_CARS_OF_HEAT]
    labels = tuple(("heat", str(number)) for number in range(len(entries)))
    return [Block("heat", _sparse_columns(entries, len(heat)), labels)] if entries else []


def _grip_blocks(
    day: Codes, hour: Array, bases: Sequence[DayBasis], days: Sequence[tuple[str, str, str]]
) -> list[Block]:
    """One block of spline columns a surface."""
    out = []
    for surface in dict.fromkeys(surface for _, _, surface in days):
        entries: list[tuple[Codes, Array]] = []
        labels = []
        for d, basis in enumerate(bases):
            if days[d][2] == surface and basis.q:
                here = np.flatnonzero(day == d)
                entries += [(here, column) for column in basis.curve(hour[here]).T]
                labels += [("grip", str(d))] * basis.q
        if entries:
            out.append(Block(f"grip {surface}", _sparse_columns(entries, len(day)), tuple(labels)))
    return out


def _slope_blocks(
    contrasts: Sequence[Contrast],
    meeting: Codes,
    driver: Codes,
    entry: Codes,
    meeting_names: Sequence[str],
    driver_names: Sequence[str],
) -> list[Block]:
    """Random slopes by meeting and by driver, one variance each for all factors: what a few
    meetings, or drivers, cannot tell of each factor's variance, all factors together can.

    What was tried at one meeting, or by one driver, alone has none: its interval speaks of that
    meeting or driver.
    """
    contrasts, out = _apart(contrasts), []
    for name, group, names in (
        (MEETING_BLOCK, meeting, meeting_names),
        (DRIVER_BLOCK, driver, driver_names),
    ):
        shared = [c for c in contrasts if varies_over(c, group)]
        out.append(slope_block(name, shared, group, names, entry))
    return [block for block in out if block.columns.shape[1]]


def varies_over(contrast: Contrast, group: Codes) -> bool:
    """It was tried against something else in enough of the groups (R,) for slopes."""
    return len(groups_that_vary([contrast], group)) >= LEAST_GROUPS_FOR_SLOPES


def _apart(contrasts: Sequence[Contrast]) -> list[Contrast]:
    """The contrasts that are no combination of those before them.

    Of two that are always changed together only the sum of the slopes' variances can be told.
    """
    if not contrasts:
        return []
    return [contrasts[i] for i in independent(np.column_stack([c.values for c in contrasts]))]


def condition_blocks(
    contrasts: Sequence[Contrast],
    variable: str,
    condition: Codes,
    names: Sequence[str],
    entry: Codes,
) -> list[Block]:
    """For each factor tried under two values or more: its contrasts by value, one variance.

    condition: (R,) codes of `names`, -1 for none.
    """
    out = []
    for factor in dict.fromkeys(c.factor for c in contrasts):
        own = [c for c in _apart(contrasts) if c.factor == factor]
        if own and len(groups_that_vary(own, condition)) >= 2:
            out.append(
                slope_block(condition_block_name(factor, variable), own, condition, names, entry)
            )
    return out


def condition_block_name(factor: str, variable: str) -> str:
    """Name of the penalised block of a factor's contrasts by condition."""
    return f"{factor} by {variable}"


def groups_that_vary(contrasts: Sequence[Contrast], group: Codes) -> Codes:
    """The groups that hold team runs that differ in some contrast. group: (R,), -1 for none."""
    varies = np.zeros(int(group.max(initial=-1)) + 1, bool)
    for contrast in contrasts:
        low, high = np.full(len(varies), np.inf), np.full(len(varies), -np.inf)
        known = contrast.known & (group >= 0)
        np.minimum.at(low, group[known], contrast.values[known])
        np.maximum.at(high, group[known], contrast.values[known])
        varies |= high > low
    return np.flatnonzero(varies)


def _about_entries(contrast: Contrast, entry: Codes) -> Array:
    """The contrast (R,) about its mean over each driver's runs of known setting at a meeting."""
    known = contrast.known
    n = np.bincount(entry[known], minlength=int(entry.max(initial=-1)) + 1)
    mean = np.bincount(entry[known], contrast.values[known], len(n)) / np.maximum(n, 1)
    return np.where(known, contrast.values - mean[entry], 0.0)


def slope_block(
    name: str, contrasts: Sequence[Contrast], group: Codes, names: Sequence[str], entry: Codes
) -> Block:
    """Columns contrast x group, in units of a usual change of the contrast.

    group: (R,) codes, -1 for none. entry: (R,) codes of driver at meeting, about whose means the
    contrast is taken: what varies is the difference that a change makes, whichever setting is the
    reference. Columns that are zero throughout are left out.
    """
    entries: list[tuple[Codes, Array]] = []
    labels: list[tuple[str, ...]] = []
    for contrast in contrasts:
        scaled = _about_entries(contrast, entry) / contrast.scale
        rows = np.flatnonzero((scaled != 0) & (group >= 0))
        for g in np.unique(group[rows]):
            own = rows[group[rows] == g]
            entries.append((own, scaled[own]))
            labels.append((contrast.name, str(names[g])))
    return Block(name, _sparse_columns(entries, len(group)), tuple(labels), varies=True)


def _sparse_columns(entries: Sequence[tuple[Codes, Array]], R: int) -> sparse.csr_array:
    """Columns given by their rows and values, (R, q)."""
    from scipy import sparse

    shape = R, len(entries)
    if not entries:
        return sparse.csr_array(shape)
    rows, values = (np.concatenate(parts) for parts in zip(*entries, strict=True))
    columns = np.repeat(np.arange(len(entries)), [len(own) for own, _ in entries])
    return sparse.csr_array((values, (rows, columns)), shape=shape)


def independent(X: Array, tolerance: float = 1e-6) -> Codes:
    """Indices of the columns of X (R, p) that are independent of those before them.

    tolerance: of a column's length, what has to be left of it. Columns nearer to dependence than
    1e-6 leave the equations so few digits that what comes out is wrong.
    """
    size = np.sqrt((X**2).sum(axis=0))
    kept: list[int] = []
    room = np.zeros(X.shape[::-1])
    for j in range(X.shape[1]):
        if size[j] == 0:
            continue
        column, basis = X[:, j] / size[j], room[: len(kept)]
        for _ in range(2):
            column = column - (basis @ column) @ basis
        length = float(np.sqrt(column @ column))
        if length > tolerance:
            room[len(kept)] = column / length
            kept.append(j)
    return np.array(kept, dtype=np.intp)
