"""Information left, against plain least squares over all runs and all columns at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.models.design import Design, build_design
from pipeline.models.identify import usable_runs
from pipeline.models.information import Information, orthonormal
from tests.models.small_season import season


def designed(seed: int) -> Design:
    data = season(seed)
    unknown = data.runs["bar"].where(data.runs.index % 11 > 0, None)
    return build_design(replace(data, runs=data.runs.assign(bar=unknown)), usable_runs(data))


def about_means(column: np.ndarray, group: np.ndarray) -> np.ndarray:
    out = column.astype(float)
    for g in np.unique(group):
        out[group == g] -= out[group == g].mean()
    return out


def plain_left(design: Design, rows: np.ndarray, place: int, without: str) -> float:
    """Sum of squares of a contrast's residual on every other column, a day's cubic among them."""
    own = design.contrasts[place]
    columns = []
    if without != "grip":
        for day in np.unique(design.day[rows]):
            here = design.day == day
            columns += [here * (design.hour - 12.0) ** power for power in range(4)]
    for name, column in zip(design.fixed_names, design.fixed.T, strict=True):
        if not name.startswith(("unknown ", "own trend ", "kind ")):
            continue
        if (name.startswith("own trend ") and without == "grip") or (
            name.startswith("kind ") and without == "session"
        ):
            continue
        columns.append(column)
    columns += [c.values for c in design.contrasts if c is not own and c.factor != without]
    N = np.column_stack([about_means(column[rows], design.entry[rows]) for column in columns])
    x = about_means(own.values[rows], design.entry[rows])
    rest = x - N @ np.linalg.lstsq(N, x, rcond=1e-9)[0]
    return float(rest @ rest)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("without", ["", "grip", "session", "spring"])
def test_it_is_the_residual_of_plain_least_squares(seed: int, without: str) -> None:
    design = designed(seed)
    rows = np.random.default_rng(seed).random(len(design.hour)) < 0.9
    information = Information.over(design, rows)
    for place, contrast in enumerate(design.contrasts):
        x = about_means(contrast.values[rows], design.entry[rows])
        assert information.within(place) == pytest.approx(x @ x, rel=1e-12)
        if contrast.factor != without:
            expected = plain_left(design, rows, place, without)
            assert information.left(place, without) == pytest.approx(expected, rel=1e-9)


def test_a_setting_that_never_varies_within_a_meeting_takes_nothing_from_the_others() -> None:
    design = designed(0)
    bar = design.contrasts[0]
    constant = replace(bar, factor="wing", values=0.1 * (1 + design.entry), scale=0.37)
    both = replace(design, contrasts=(*design.contrasts, constant))
    everywhere = np.ones(len(design.hour), bool)
    with_it, without_it = (Information.over(d, everywhere) for d in (both, design))
    assert with_it.within(len(design.contrasts)) == 0.0
    assert with_it.left(0) == pytest.approx(without_it.left(0), rel=1e-12)


def test_the_basis_leaves_out_what_is_spanned() -> None:
    rng = np.random.default_rng(4)
    X = rng.normal(size=(30, 4))
    columns = np.column_stack([X[:, :2], X[:, 0] - 2 * X[:, 1], np.zeros(30), X[:, 2:]])
    basis = orthonormal(columns, np.sqrt((columns**2).sum(axis=0)))
    assert basis.shape == (4, 30)
    np.testing.assert_allclose(basis @ basis.T, np.eye(4), atol=1e-14)
    np.testing.assert_allclose(basis.T @ (basis @ X), X, atol=1e-13)
