"""Columns of the run-level models: meeting days, grip, session kinds, setup, random slopes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.models.contrasts import Contrast, setup_contrasts
from pipeline.models.grip import DayBasis, day_basis

if TYPE_CHECKING:
    import pandas as pd
    from scipy import sparse

    from pipeline.models.engine.rows import Array, Codes
    from pipeline.tables.records import SeasonData

LEAST_MEETINGS_FOR_SLOPES = 4
LEAST_DRIVERS_FOR_SLOPES = 3


@dataclass(frozen=True)
class Block:
    """Penalised run-level columns (R, q) with one variance. labels: what each column stands for."""

    name: str
    columns: sparse.csr_array
    labels: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Design:
    """Columns over the R runs that enter the models.

    index: (R,) rows of SeasonData.runs. fixed: (R, p) without the contrasts, named in
    fixed_names. driver, entry, day: (R,) codes (an entry is a driver at a meeting). hour: (R,).
    bases: one a day, named in `days` as (meeting, date, surface). blocks: grip, then random
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
    fixed, names = _fixed_columns(runs, day, hour, bases, contrasts, data)
    days = tuple(
        (runs["meeting"][r], runs["date"][r], _surface(runs["surface"][r])) for r in day_rows
    )
    blocks: list[Block] = []
    if penalised:
        blocks += _grip_blocks(day, hour, bases, days)
        names_of = list(meeting_names), list(driver_names)
        blocks += _slope_blocks(contrasts, meeting, driver, *names_of)
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
    contrasts: Sequence[Contrast],
    data: SeasonData,
) -> tuple[Array, tuple[str, ...]]:
    """Day means, day trends, team, session kinds, unknown settings: in order of precedence."""
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
    meeting_names: Sequence[str],
    driver_names: Sequence[str],
) -> list[Block]:
    """Random slopes by meeting, and by driver.

    By meeting: a variance for each factor that was tried in enough meetings, one for all the
    others together; a factor whose effect differs between meetings does not widen the rest. By
    driver: one variance. What was tried at one meeting, or by one driver, alone has none: its
    interval speaks of that meeting or driver. Only where enough meetings, and drivers, tried
    both settings of something.
    """
    contrasts = _apart(contrasts)
    if groups_that_vary(contrasts, meeting) < LEAST_MEETINGS_FOR_SLOPES:
        return []
    out, others = [], []
    for factor in dict.fromkeys(c.factor for c in contrasts):
        own = [c for c in contrasts if c.factor == factor]
        if groups_that_vary(own, meeting) >= LEAST_MEETINGS_FOR_SLOPES:
            out.append(slope_block(f"{factor} by meeting", own, meeting, meeting_names))
        else:
            others += [c for c in own if groups_that_vary([c], meeting) > 1]
    out.append(slope_block("other setup by meeting", others, meeting, meeting_names))
    if groups_that_vary(contrasts, driver) >= LEAST_DRIVERS_FOR_SLOPES:
        shared = [c for c in contrasts if groups_that_vary([c], driver) > 1]
        out.append(slope_block("setup by driver", shared, driver, driver_names))
    return [block for block in out if block.columns.shape[1]]


def _apart(contrasts: Sequence[Contrast]) -> list[Contrast]:
    """The contrasts that are no combination of those before them.

    Of two that are always changed together only the sum of the slopes' variances can be told.
    """
    if not contrasts:
        return []
    return [contrasts[i] for i in independent(np.column_stack([c.values for c in contrasts]))]


def condition_blocks(
    contrasts: Sequence[Contrast], variable: str, condition: Codes, names: Sequence[str]
) -> list[Block]:
    """For each factor tried under two values or more: its contrasts by value, one variance.

    condition: (R,) codes of `names`, -1 for none.
    """
    out = []
    for factor in dict.fromkeys(c.factor for c in contrasts):
        own = [c for c in _apart(contrasts) if c.factor == factor]
        if own and groups_that_vary(own, condition) >= 2:
            out.append(slope_block(condition_block_name(factor, variable), own, condition, names))
    return out


def condition_block_name(factor: str, variable: str) -> str:
    """Name of the penalised block of a factor's contrasts by condition."""
    return f"{factor} by {variable}"


def groups_that_vary(contrasts: Sequence[Contrast], group: Codes) -> int:
    """How many groups hold team runs that differ in some contrast. group: (R,), -1 for none."""
    varies = np.zeros(int(group.max(initial=-1)) + 1, bool)
    for contrast in contrasts:
        low, high = np.full(len(varies), np.inf), np.full(len(varies), -np.inf)
        known = contrast.known & (group >= 0)
        np.minimum.at(low, group[known], contrast.values[known])
        np.maximum.at(high, group[known], contrast.values[known])
        varies |= high > low
    return int(varies.sum())


def slope_block(
    name: str, contrasts: Sequence[Contrast], group: Codes, names: Sequence[str]
) -> Block:
    """Columns contrast x group, in units of a usual change of the contrast.

    group: (R,) codes, -1 for none. Columns that are zero throughout are left out.
    """
    entries: list[tuple[Codes, Array]] = []
    labels: list[tuple[str, ...]] = []
    for contrast in contrasts:
        scaled = contrast.values / contrast.scale
        rows = np.flatnonzero((scaled != 0) & (group >= 0))
        for g in np.unique(group[rows]):
            own = rows[group[rows] == g]
            entries.append((own, scaled[own]))
            labels.append((contrast.name, str(names[g])))
    return Block(name, _sparse_columns(entries, len(group)), tuple(labels))


def _sparse_columns(entries: Sequence[tuple[Codes, Array]], R: int) -> sparse.csr_array:
    """Columns given by their rows and values, (R, q)."""
    from scipy import sparse

    shape = R, len(entries)
    if not entries:
        return sparse.csr_array(shape)
    rows, values = (np.concatenate(parts) for parts in zip(*entries, strict=True))
    columns = np.repeat(np.arange(len(entries)), [len(own) for own, _ in entries])
    return sparse.csr_array((values, (rows, columns)), shape=shape)


def independent(X: Array, tolerance: float = 1e-8) -> Codes:
    """Indices of the columns of X (R, p) that are independent of those before them."""
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
