"""A second opinion on pace: statsmodels' MixedLM on the laps themselves, where size allows."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.models.effects import unit_weight

if TYPE_CHECKING:
    from pipeline.models.design import Design
    from pipeline.models.fitting import OutcomeFit
    from pipeline.models.responses import Laps

MOST_RUNS = 600
COLUMNS = [
    "factor",
    "level",
    "reference",
    "ours",
    "ours_se",
    "other",
    "other_se",
    "difference_se",
]


def second_opinion(design: Design, laps: Laps, ours: OutcomeFit) -> tuple[pd.DataFrame | None, str]:
    """The pace contrasts by both engines, and a note on what differs.

    MixedLM fits the runs' mean laps with the same fixed columns and grip spline, driver and
    driver at meeting as random effects. It has no weights: laps a run and drivers' lap SDs are
    not taken into account, so that small differences are expected.
    Returns (None, why) where the data are too large or MixedLM gives nothing.
    """
    if len(design.hour) > MOST_RUNS:
        return None, (
            f"Not done: {len(design.hour)} runs; statsmodels' MixedLM is given no more than "
            f"{MOST_RUNS}."
        )
    try:
        result, names = _mixedlm(design, laps)
    except (np.linalg.LinAlgError, ValueError) as error:
        return None, f"Not done: statsmodels' MixedLM stopped ({error})."
    rows = []
    for contrast in design.contrasts:
        combination = ours.combination(unit_weight(contrast))
        if combination is None or contrast.name not in names:
            continue
        own = ours.estimates([combination])[0]
        position = names.index(contrast.name)
        other = float(result.fe_params[position]) / contrast.scale
        other_se = float(result.bse_fe[position]) / contrast.scale
        rows.append(
            (
                contrast.factor,
                contrast.level,
                contrast.reference,
                own.estimate,
                own.std_error,
                other,
                other_se,
                (other - own.estimate) / own.std_error,
            )
        )
    note = (
        "statsmodels' MixedLM on each run's mean clean lap, unweighted, with the same day means, "
        "grip splines, session kinds and drivers."
    )
    if not result.converged:
        note += " It did not converge; read its column with that in mind."
    return pd.DataFrame(rows, columns=COLUMNS), note


def _mixedlm(design: Design, laps: Laps) -> tuple[Any, list[str]]:
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    from pipeline.models.design import independent

    names = [*design.fixed_names, *(c.name for c in design.contrasts), "come in", "fade"]
    columns = [design.fixed, *(c.values / c.scale for c in design.contrasts)]
    X = np.column_stack([*columns, laps.clean.mean_basis])
    kept = independent(X)
    blocks = {"driver": np.eye(int(design.driver.max()) + 1)[design.driver]}
    if len(np.unique(design.entry)) > len(np.unique(design.driver)):
        blocks["driver at meeting"] = np.eye(int(design.entry.max()) + 1)[design.entry]
    blocks |= {block.name: block.columns.toarray() for block in design.blocks}
    spec = VCSpec(
        list(blocks),
        [[[f"{name} {i}" for i in range(Z.shape[1])]] for name, Z in blocks.items()],
        [[Z] for Z in blocks.values()],
    )
    y = laps.clean.mean_y - laps.clean.mean_y.mean()
    model = MixedLM(y, X[:, kept], groups=np.zeros(len(y)), exog_vc=spec)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return model.fit(reml=True, method=["lbfgs"]), [names[i] for i in kept]
