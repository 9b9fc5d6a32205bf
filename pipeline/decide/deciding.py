"""A season's decisions: the tables of `tables.decisions` from what was estimated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.decide.choices import choice_rows, circumstances
from pipeline.decide.evidence import Evidence, count_evidence, linear_evidence
from pipeline.decide.felt import tie_words
from pipeline.decide.options import Options, options_of
from pipeline.decide.past import coefficients_of, with_past
from pipeline.decide.places import Part, Property
from pipeline.decide.properties import property_rows
from pipeline.decide.race import believe
from pipeline.decide.situations import property_words, with_sentences, with_test_sentences
from pipeline.decide.switching import curve_rows, switchover_rows
from pipeline.decide.testing import HOURS_APART, RUNS, DayShown, day_shown, next_test_rows
from pipeline.models.axis import PER_STEP
from pipeline.models.fitting import fit_if_enough
from pipeline.models.race import race_facts
from pipeline.models.responses import gap_response
from pipeline.plan.trend import typical_bend
from pipeline.tables.decisions import (
    BEST_VALUES,
    CHOICES,
    CURVES,
    PROPERTIES,
    SWITCHOVERS,
    TESTS,
    Decisions,
)

if TYPE_CHECKING:
    from pipeline.models.earlier import Coefficients
    from pipeline.models.season import Found
    from pipeline.tables.records import SeasonData

LINEAR = ("pace", "fade")
MOST_DRIVERS = 6  # on a test day


def decide(found: Found) -> Decisions:
    """What to fit and what to test next; empty tables, and a note, where no run had both pace and
    a change that can be told."""
    data, design = found.data, found.design
    worthwhile = found.margins["race"]
    around = circumstances(data, design, found.along.position, worthwhile, data.worth_changing_s)
    options = options_of(design, data.factors, found.standings, found.along)
    evidence = evidence_of(found) if any(one.levels for one in options) else {}
    columns = [*design.contrasts, *found.along.columns]
    for name in evidence if found.past else ():
        said = [one.coefficients[name] for one in found.past if name in one.coefficients]
        evidence[name] = with_past(evidence[name], said, columns)
    believed = believe(options, evidence, race_facts(found.laps, found.in_race)) if evidence else []
    day = _usual_day(found, len(around.drivers)) if evidence else None
    directions = [one for one in believed if one.options.is_direction]
    believed = [one for one in believed if not one.options.is_direction]
    curves, best = curve_rows(believed, around)
    tests = next_test_rows(options, believed, around, day) if day else []
    shared = property_rows(directions, options, evidence, around)
    parts = {
        f.name: Part(f.label or f.name, one.reference, f.unit, f.kind == "number")
        for one in options
        for f in (one.factor,)
    }
    tables = Decisions(
        choices=CHOICES.conform(_columns(choice_rows(options, believed, around))),
        switchovers=SWITCHOVERS.conform(
            _columns(switchover_rows([*believed, *directions], around))
        ),
        curves=CURVES.conform(_columns(curves)),
        best_values=BEST_VALUES.conform(_columns(best)),
        properties=PROPERTIES.conform(_columns([row | {"words": ""} for row in shared])),
        tests=TESTS.conform(_columns([row | {"sentence": ""} for row in tests])),
        race_laps=found.in_race,
        worthwhile_s=data.worthwhile_s,
        worth_changing_s=data.worth_changing_s,
        grips=around.grips,
        surfaces=around.surfaces,
    )
    shares = _shared_positions(data, options)
    words = {name: property_words(name, one, tables, parts) for name, one in shares.items()}
    named = tables.properties.assign(words=tables.properties["property"].map(words))
    tables = replace(tables, felt=tie_words(found, parts, tables.choices))
    return replace(
        tables,
        shares=shares,
        properties=PROPERTIES.conform(named),
        choices=CHOICES.conform(with_sentences(tables, parts)),
        tests=TESTS.conform(with_test_sentences(tables.tests, parts)),
    )


def _shared_positions(data: SeasonData, options: Sequence[Options]) -> dict[str, Property]:
    """Each property with the positions of the levels that can be told, by factor."""
    out = {}
    for shared in data.properties:
        own = [one for one in options if one.levels and one.factor.property == shared.name]
        positions = {one.factor.name: one.level_positions() for one in own}
        out[shared.name] = Property(shared.label, positions)
    return out


def _columns(rows: list[dict[str, object]]) -> dict[str, list[object]]:
    names = dict.fromkeys(name for row in rows for name in row)
    return {name: [row.get(name) for row in rows] for name in names}


def what_it_says(found: Found) -> dict[str, Coefficients]:
    """What the season says to later ones, by outcome."""
    columns = [*found.design.contrasts, *found.along.columns]
    evidence = evidence_of(found) if any(s.tellable for s in found.standings) else {}
    return {name: coefficients_of(one, columns) for name, one in evidence.items()}


def evidence_of(found: Found) -> dict[str, Evidence]:
    """Of this season's laps: of pace, fade, mistakes and what a race holds beside them, as far as
    each was fitted and its errors are known; of none without pace."""
    columns = [*found.design.contrasts, *found.along.columns]
    out = {}
    for name in LINEAR:
        fits = found.fits.get(name)
        if fits is not None:
            out[name] = linear_evidence(fits.along or fits.base, columns)
    if "pace" not in out or not out["pace"].is_known:
        return {}
    race = found.fits.get("race")
    start = ((race.along or race.base) if race else found.pace).variances
    gap = fit_if_enough(found.along.design(found.design), gap_response(found.laps), start=start)
    if gap is not None:
        out["gap"] = linear_evidence(gap, columns).common()
    counted = found.mistakes.get("mistakes", {})
    mistakes = counted.get(PER_STEP) or counted.get("all")
    if mistakes is not None:
        out["mistakes"] = count_evidence(mistakes, columns)
    return {name: one for name, one in out.items() if one.is_known}


def _usual_day(found: Found, drivers: int) -> DayShown:
    """A test day of the whole team, with the scatter that this season showed."""
    fit = found.pace.fit
    own = found.laps.team
    scale = float(found.laps.scales[found.design.driver[own]].mean())
    n = float(np.maximum(found.laps.clean.n[own], 1).mean())
    variance = found.pace.run_variance + fit.variance("lap") * scale / n
    bends = [v for name, v in zip(fit.names, fit.theta, strict=True) if name.startswith("grip ")]
    bend = float(np.mean(bends)) if bends else 0.0
    curve = np.sqrt(bend * typical_bend(np.arange(RUNS, dtype=float) * HOURS_APART))
    return day_shown(min(drivers, MOST_DRIVERS), variance, float(curve))
