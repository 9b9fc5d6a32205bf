"""What the data can tell, before anything is estimated.

A contrast is looked at as its column over the runs, taken about the means of each driver at each
meeting. What is left of its sum of squares after the day's grip (a cubic of the time of day,
over everybody's runs), the session kinds and the other changes says how much of its information
survives. Where a tenth or less does, or where it was changed but once, no number is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.models.contrasts import Contrast
from pipeline.models.design import Design, build_design, independent

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.factors import Factor
    from pipeline.models.rows import Array, Codes
    from pipeline.models.tables import SeasonData

LEAST_LEFT = 0.10
LEAST_LEFT_BESIDE_GRIP = 0.20  # a smooth curve through few cars can take any shape
LEAST_SWITCHES = 2
RECOVERED = 0.25
TREND_DEGREE = 3


@dataclass(frozen=True)
class Standing:
    """How a contrast stands in one condition.

    switches: consecutive runs of a driver in a meeting that differ in the factor;
    own_switches: those to or from this level, in switch_meetings and by switch_drivers.
    information_left: 0..1. mixed_with: '' if it can be told. sentence: why it cannot.
    """

    contrast: Contrast
    condition: str
    n_runs: int
    n_drivers: int
    n_meetings: int
    switches: int
    own_switches: int
    switch_meetings: int
    switch_drivers: int
    information_left: float
    mixed_with: str
    sentence: str
    verdict: str

    @property
    def tellable(self) -> bool:
        """It gets a number."""
        return not self.verdict


def tell_apart(data: SeasonData) -> pd.DataFrame:
    """Which contrasts the data can tell, without fitting a model.

    Columns factor, level, reference, condition, mixed_with, information_left, n_switches,
    sentence; a sentence of '' means that it can be told.
    """
    import pandas as pd

    index = usable_runs(data)
    if not len(index):
        return pd.DataFrame(columns=TELL_COLUMNS)
    design = build_design(data, index, penalised=False)
    everything = standings(design, data.factors, "all", np.ones(len(index), bool))
    return pd.DataFrame([_tell_row(s) for s in everything], columns=TELL_COLUMNS)


TELL_COLUMNS = [
    "factor",
    "level",
    "reference",
    "condition",
    "mixed_with",
    "information_left",
    "n_switches",
    "sentence",
]


def _tell_row(s: Standing) -> tuple[object, ...]:
    c = s.contrast
    return (
        c.factor,
        c.level,
        c.reference,
        s.condition,
        s.mixed_with,
        s.information_left,
        s.switches,
        s.sentence,
    )


def usable_runs(data: SeasonData) -> Codes:
    """Rows of data.runs that take part: not excluded, with at least two clean laps."""
    clean = data.laps[data.laps["status"] == "clean"]
    n = np.bincount(clean["run"].to_numpy(np.intp), minlength=len(data.runs))
    keep = data.runs["excluded"].isna().to_numpy(bool) & (n >= 2)
    return np.flatnonzero(keep)


def standings(
    design: Design, factors: Sequence[Factor], condition: str, rows: NDArray[np.bool_]
) -> list[Standing]:
    """Standing of every contrast over the runs `rows` (R,)."""
    labels = {factor.name: factor.label or factor.name for factor in factors}
    if not rows.any():
        return [_nothing(contrast, condition) for contrast in design.contrasts]
    nuisance = _Nuisance.over(design, rows)
    return [_standing(design, c, condition, rows, nuisance, labels) for c in design.contrasts]


@dataclass(frozen=True)
class _Nuisance:
    """Columns about the means of driver at meeting, over the chosen rows, by their origin."""

    entry: Codes
    sets: dict[str, Array]

    @staticmethod
    def over(design: Design, rows: NDArray[np.bool_]) -> _Nuisance:
        entry = np.unique(design.entry[rows], return_inverse=True)[1]
        sets = {"grip": _within(_day_trends(design, rows), entry)}
        kinds = [name.startswith("kind ") for name in design.fixed_names]
        sets["session"] = _within(design.fixed[rows][:, kinds], entry)
        unknown = [name.startswith("unknown ") for name in design.fixed_names]
        sets["unknown"] = _within(design.fixed[rows][:, unknown], entry)
        for contrast in design.contrasts:
            column = _within(contrast.values[rows][:, None] / contrast.scale, entry)
            earlier = sets.get(contrast.factor, np.zeros((rows.sum(), 0)))
            sets[contrast.factor] = np.hstack([earlier, column])
        return _Nuisance(entry, sets)

    def left(self, x: Array, own: str, without: str = "") -> float:
        """Sum of squares of x, a column of the set `own`, after all else but one set."""
        N = np.hstack(
            [
                _without_column(part, x) if name == own else part
                for name, part in self.sets.items()
                if name != without
            ]
        )
        N = N[:, independent(N)]
        if N.shape[1] == 0:
            return float(x @ x)
        residual = x - N @ np.linalg.lstsq(N, x, rcond=None)[0]
        return float(residual @ residual)


def _without_column(N: Array, x: Array) -> Array:
    same = np.abs(N - x[:, None]).max(axis=0, initial=0) < 1e-9 * max(np.abs(x).max(), 1e-300)
    return N[:, ~same]


def _within(columns: Array, entry: Codes) -> Array:
    """Columns about the means of each group."""
    n = np.bincount(entry).astype(float)
    if not columns.shape[1]:
        return columns
    means = np.column_stack([np.bincount(entry, c) / n for c in columns.T])
    return columns - means[entry]


def _day_trends(design: Design, rows: NDArray[np.bool_]) -> Array:
    """Powers of the time of day up to the third, a set a day."""
    day, hour = design.day[rows], design.hour[rows]
    columns = []
    for d in np.unique(day):
        here = day == d
        times = len(np.unique(np.round(hour[here] * 60)))
        middle = (hour[here].min() + hour[here].max()) / 2
        half = max((hour[here].max() - hour[here].min()) / 2, 1e-9)
        scaled = np.where(here, (hour - middle) / half, 0.0)
        columns.append(here.astype(float))
        for power in range(1, min(TREND_DEGREE, times - 1) + 1):
            columns.append(scaled**power * here)
    return np.column_stack(columns)


def switch_pairs(design: Design, rows: NDArray[np.bool_]) -> tuple[Codes, Codes]:
    """Consecutive runs (before, after) of a team driver in a meeting, among the chosen rows."""
    chosen = np.flatnonzero(rows & design.team)
    order = chosen[np.lexsort((design.runs["run_no"].to_numpy(int)[chosen], design.entry[chosen]))]
    same = design.entry[order[1:]] == design.entry[order[:-1]]
    return order[:-1][same], order[1:][same]


def _standing(
    design: Design,
    contrast: Contrast,
    condition: str,
    rows: NDArray[np.bool_],
    nuisance: _Nuisance,
    labels: dict[str, str],
) -> Standing:
    before, after = switch_pairs(design, rows)
    both = contrast.known[before] & contrast.known[after]
    before, after = before[both], after[both]
    setting = design.runs[contrast.factor].astype(object).to_numpy()
    differs = setting[before] != setting[after]
    level = contrast.at_level
    own = differs if contrast.kind == "number" else differs & (level[before] | level[after])
    at = rows & level
    x = _within(contrast.values[rows][:, None] / contrast.scale, nuisance.entry)[:, 0]
    within = float(x @ x)
    left = nuisance.left(x, contrast.factor) / within if within > 1e-9 else 0.0
    reason = _reason(design, contrast, rows, (before[own], after[own]), within, left, nuisance, x)
    verdict, mixed_with, sentence = _worded(reason, labels)
    return Standing(
        contrast=contrast,
        condition=condition,
        n_runs=int(at.sum()),
        n_drivers=len(np.unique(design.driver[at])),
        n_meetings=len(np.unique(design.runs["meeting"].to_numpy(str)[at])),
        switches=int(differs.sum()),
        own_switches=int(own.sum()),
        switch_meetings=len(np.unique(design.runs["meeting"].to_numpy(str)[after[own]])),
        switch_drivers=len(np.unique(design.driver[after[own]])),
        information_left=float(left),
        mixed_with=mixed_with,
        sentence=sentence,
        verdict=verdict,
    )


def _nothing(contrast: Contrast, condition: str) -> Standing:
    verdict, mixed_with, sentence = _worded(("never", "", ""), {})
    return Standing(contrast, condition, 0, 0, 0, 0, 0, 0, 0, 0.0, mixed_with, sentence, verdict)


Reason = tuple[str, str, str]  # kind, mixed with, detail


def _reason(
    design: Design,
    contrast: Contrast,
    rows: NDArray[np.bool_],
    pairs: tuple[Codes, Codes],
    within: float,
    left: float,
    nuisance: _Nuisance,
    x: Array,
) -> Reason:
    """Why a contrast gets no number; kind '' if it gets one."""
    before, after = pairs
    at, ref = rows & contrast.at_level, rows & contrast.at_reference
    if not at.any() or (contrast.kind == "number" and within <= 1e-9 and not ref.any()):
        return "never", "", ""
    if contrast.kind != "number" and not (rows & contrast.known & ~contrast.at_level).any():
        return "always", "", ""
    if contrast.kind != "number" and not ref.any():
        return "no reference", "", ""
    if within <= 1e-9:
        shared = np.intersect1d(design.driver[at], design.driver[ref])
        if len(shared):
            return "between meetings", "grip", ""
        return "between drivers", "driver", ""
    if len(before) < LEAST_SWITCHES:
        return "once", "grip", _when(design, after)
    if left <= LEAST_LEFT_BESIDE_GRIP:
        partner = _partner(nuisance, x, within, left, contrast)
        if left <= LEAST_LEFT or partner == "grip":
            return "mixed", partner, _when(design, after)
    if _one_break(design, contrast, before, after):
        return "one break", "grip", _when(design, after)
    return "", "", ""


def _partner(nuisance: _Nuisance, x: Array, within: float, left: float, contrast: Contrast) -> str:
    """The sets whose absence gives the contrast its information back."""
    shares = {
        name: nuisance.left(x, contrast.factor, name) / within
        for name in nuisance.sets
        if name not in (contrast.factor, "unknown")
    }
    best = max(shares.values(), default=0.0)
    if best < max(RECOVERED, 2 * left):
        return "session" if not shares else max(shares, key=lambda name: shares[name])
    return ", ".join(name for name, share in shares.items() if share > 0.9 * best)


def _one_break(design: Design, contrast: Contrast, before: Codes, after: Codes) -> bool:
    """All switches lie in one meeting day, go one way and at one time: one event."""
    days = np.unique(design.day[before])
    directions = np.unique(np.sign(contrast.values[after] - contrast.values[before]))
    overlap = design.hour[before].max() < design.hour[after].min()
    return len(days) == 1 and len(directions) == 1 and bool(overlap)


def _when(design: Design, after: Codes) -> str:
    if not len(after):
        return ""
    hour = float(design.hour[after].min())
    day = design.runs["date"].iloc[int(after[0])]
    drivers = len(np.unique(design.driver[after]))
    who = "one driver" if drivers == 1 else f"{drivers} drivers"
    return f"on {day} about {int(hour):02d}:{int(hour % 1 * 60):02d}, by {who}"


def _worded(reason: Reason, labels: dict[str, str]) -> tuple[str, str, str]:
    """(verdict, mixed_with, sentence) of a reason."""
    kind, mixed_with, detail = reason
    names = [labels.get(name, name) for name in mixed_with.split(", ")]
    sentences = {
        "": "",
        "never": "never run: there is nothing to compare",
        "always": "never changed: every run had it, there is nothing to compare it with",
        "no reference": "never run beside its reference",
        "between drivers": "each driver kept to one setting: driver and this change cannot be "
        "told apart",
        "between meetings": "changed only between meetings: the track of the day and this change "
        "cannot be told apart",
        "once": f"changed once, {detail}: grip and this change cannot be told apart",
        "one break": f"changed only one way in one break, {detail}: grip and this change cannot "
        "be told apart",
        "mixed": _mixed_sentence(mixed_with, names, detail),
    }
    if kind == "":
        verdict = ""
    elif kind in ("never", "always", "no reference"):
        verdict = "not enough runs"
    else:
        verdict = "not separable"
    return verdict, mixed_with, sentences[kind]


def _mixed_sentence(mixed_with: str, names: Sequence[str], detail: str) -> str:
    if mixed_with == "grip":
        return f"changed only with the clock ({detail}): grip and this change cannot be told apart"
    if mixed_with == "session":
        return "changed only between kinds of session: session and this change cannot be told apart"
    return f"always changed together with {' and '.join(names)}"
