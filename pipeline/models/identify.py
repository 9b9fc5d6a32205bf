"""What the data can tell, before anything is estimated.

A contrast is looked at as its column over the runs, taken about the means of each driver at each
meeting. What is left of its sum of squares after the day's grip (a cubic of the time of day,
over everybody's runs), the session kinds and the other changes says how much of its information
survives. Where a tenth or less does, or where it was changed but once, no number is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.models.contrasts import Contrast
from pipeline.models.design import Design, build_design, groups_that_vary
from pipeline.models.information import Information
from pipeline.tables.outcomes import NOT_ENOUGH, NOT_SEPARABLE

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.engine.rows import Codes
    from pipeline.tables.records import SeasonData
    from pipeline.team.factors import Factor

LEAST_LEFT = 0.10
LEAST_LEFT_BESIDE_GRIP = 0.20  # a smooth curve through few cars can take any shape
LEAST_SWITCHES = 2
RECOVERED = 0.25
NO_VARIATION = 1e-9


@dataclass(frozen=True)
class Standing:
    """How a contrast stands in one condition.

    switches: consecutive runs of a driver in a meeting that differ in the factor;
    own_switches: those to or from this level. meetings, drivers: those that tried it against
    something else, by name.
    information_left: 0..1. mixed_with: '' if it can be told. sentence: why it cannot. remark:
    what the number speaks of, where settings were not crossed.
    """

    contrast: Contrast
    condition: str
    n_runs: int
    n_drivers: int
    n_meetings: int
    switches: int
    own_switches: int
    meetings: tuple[str, ...]
    drivers: tuple[str, ...]
    information_left: float
    mixed_with: str
    sentence: str
    verdict: str
    remark: str = ""

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
    clean = (data.laps["status"] == "clean").to_numpy()
    n = np.bincount(data.laps["run"].to_numpy(np.intp)[clean], minlength=len(data.runs))
    keep = data.runs["excluded"].isna().to_numpy(bool) & (n >= 2)
    return np.flatnonzero(keep)


def standings(
    design: Design, factors: Sequence[Factor], condition: str, rows: NDArray[np.bool_]
) -> list[Standing]:
    """Standing of every contrast over the runs `rows` (R,)."""
    labels = {factor.name: factor.label or factor.name for factor in factors}
    if not rows.any():
        return [never_run(contrast, condition) for contrast in design.contrasts]
    chosen = _Chosen.of(design, condition, rows)
    return [_standing(chosen, place, labels) for place in range(len(design.contrasts))]


@dataclass(frozen=True)
class _Chosen:
    """The runs of one condition, with what every contrast needs of them.

    before, after: consecutive runs of a team driver in a meeting. meeting: (R,) codes.
    """

    design: Design
    condition: str
    rows: NDArray[np.bool_]
    before: Codes
    after: Codes
    meeting: Codes
    information: Information

    @staticmethod
    def of(design: Design, condition: str, rows: NDArray[np.bool_]) -> _Chosen:
        names = [meeting for meeting, _, _ in design.days]
        meeting = np.array([design.meeting_names.index(name) for name in names])[design.day]
        before, after = switch_pairs(design, rows)
        information = Information.over(design, rows)
        return _Chosen(design, condition, rows, before, after, meeting, information)

    @cached_property
    def settings(self) -> dict[str, NDArray[np.object_]]:
        """Each factor's settings as they were logged, (R,), in the order of the contrasts."""
        names = dict.fromkeys(contrast.factor for contrast in self.design.contrasts)
        return {name: self.design.runs[name].to_numpy(object) for name in names}

    def switches(self, contrast: Contrast) -> tuple[int, Codes, Codes]:
        """How many pairs differ in the factor, and those to or from the contrast's level."""
        known = contrast.known[self.before] & contrast.known[self.after]
        before, after = self.before[known], self.after[known]
        setting = self.settings[contrast.factor]
        differs = setting[before] != setting[after]
        level = contrast.at_level
        own = differs
        if contrast.kind != "number":
            own = differs & (level[before] | level[after])
        return int(differs.sum()), before[own], after[own]


def switch_pairs(design: Design, rows: NDArray[np.bool_]) -> tuple[Codes, Codes]:
    """Consecutive runs (before, after) of a team driver in a meeting, among the chosen rows."""
    chosen = np.flatnonzero(rows & design.team)
    order = chosen[np.lexsort((design.runs["run_no"].to_numpy(int)[chosen], design.entry[chosen]))]
    same = design.entry[order[1:]] == design.entry[order[:-1]]
    return order[:-1][same], order[1:][same]


def _standing(chosen: _Chosen, place: int, labels: dict[str, str]) -> Standing:
    design, contrast = chosen.design, chosen.design.contrasts[place]
    switches, before, after = chosen.switches(contrast)
    at = chosen.rows & contrast.at_level
    within = chosen.information.within(place)
    left = chosen.information.left(place) / within if within > NO_VARIATION else 0.0
    reason = _reason(chosen, place, (before, after), within, left)
    verdict, mixed_with, sentence = _worded(reason, labels)
    return Standing(
        contrast=contrast,
        condition=chosen.condition,
        n_runs=int(at.sum()),
        n_drivers=len(np.unique(design.driver[at])),
        n_meetings=len(np.unique(chosen.meeting[at])),
        switches=switches,
        own_switches=len(after),
        meetings=_tried_by(contrast, chosen.rows, chosen.meeting, design.meeting_names),
        drivers=_tried_by(contrast, chosen.rows, design.driver, design.driver_names),
        information_left=float(left),
        mixed_with=mixed_with,
        sentence=sentence,
        verdict=verdict,
        remark="" if verdict else _not_crossed(chosen, contrast, labels),
    )


def _not_crossed(chosen: _Chosen, contrast: Contrast, labels: dict[str, str]) -> str:
    """With which settings of other factors alone this level was run, or compared: where the two
    act on each other, the number holds for those."""
    if contrast.kind == "number":
        return ""
    parts = []
    for factor in chosen.settings:
        if factor == contrast.factor:
            continue
        setting = chosen.settings[factor]
        at, beside = (
            {v for v in setting[chosen.rows & flags] if isinstance(v, str)}
            for flags in (contrast.at_level, contrast.at_reference)
        )
        if len(at | beside) < 2:
            continue
        name = labels.get(factor, factor)
        if len(at) == 1:
            parts.append(f"only ever with {name} {next(iter(at))}")
        elif len(at & beside) == 1:
            parts.append(f"compared only with {name} {next(iter(at & beside))}")
    return "; ".join(parts)


def _tried_by(
    contrast: Contrast, rows: NDArray[np.bool_], group: Codes, names: Sequence[str]
) -> tuple[str, ...]:
    """Names of the groups (R,) that hold runs, among `rows`, that differ in the contrast."""
    return tuple(names[g] for g in groups_that_vary([contrast], np.where(rows, group, -1)))


def never_run(contrast: Contrast, condition: str) -> Standing:
    """Of a contrast that no run of the condition tells anything of."""
    verdict, mixed_with, sentence = _worded(("never", "", ""), {})
    return Standing(contrast, condition, 0, 0, 0, 0, 0, (), (), 0.0, mixed_with, sentence, verdict)


Reason = tuple[str, str, str]  # kind, mixed with, detail


def _reason(
    chosen: _Chosen, place: int, pairs: tuple[Codes, Codes], within: float, left: float
) -> Reason:
    """Why a contrast gets no number; kind '' if it gets one."""
    design, contrast, rows = chosen.design, chosen.design.contrasts[place], chosen.rows
    before, after = pairs
    at, ref = rows & contrast.at_level, rows & contrast.at_reference
    if not at.any() or (contrast.kind == "number" and within <= NO_VARIATION and not ref.any()):
        return "never", "", ""
    if contrast.kind != "number" and not (rows & contrast.known & ~contrast.at_level).any():
        return "always", "", ""
    if contrast.kind != "number" and not ref.any():
        return "no reference", "", ""
    if within <= NO_VARIATION:
        shared = np.intersect1d(design.driver[at], design.driver[ref])
        if len(shared):
            return "between meetings", "grip", ""
        return "between drivers", "driver", ""
    if len(before) < LEAST_SWITCHES:
        return "once", "grip", _when(design, after)
    if left <= LEAST_LEFT_BESIDE_GRIP:
        partner = _partner(chosen.information, place, within, left)
        if left <= LEAST_LEFT or partner == "grip":
            return "mixed", partner, _when(design, after)
    if _one_break(design, contrast, before, after):
        return "one break", "grip", _when(design, after)
    return "", "", ""


def _partner(information: Information, place: int, within: float, left: float) -> str:
    """The sets whose absence gives the contrast its information back."""
    own = information.factors[place]
    shares = {
        name: information.left(place, name) / within for name in information.others if name != own
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
        verdict = NOT_ENOUGH
    else:
        verdict = NOT_SEPARABLE
    return verdict, mixed_with, sentences[kind]


def _mixed_sentence(mixed_with: str, names: Sequence[str], detail: str) -> str:
    if mixed_with == "grip":
        return f"changed only with the clock ({detail}): grip and this change cannot be told apart"
    if mixed_with == "session":
        return "changed only between kinds of session: session and this change cannot be told apart"
    return f"always changed together with {' and '.join(names)}"
