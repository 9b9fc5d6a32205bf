"""A season with those before it: fitted anew with their scatter, its effects joined to theirs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipeline.models.design import MEETING_BLOCK, Design
from pipeline.models.earlier import (
    Earlier,
    earlier_season,
    learned_scatter,
    narrowing,
    with_earlier,
)
from pipeline.models.effects import Effect, linear_effects
from pipeline.models.engine.rows import SdPrior
from pipeline.models.fitting import OutcomeFit, OutcomeFits, fit_outcome
from pipeline.models.season import Found

Priors = Mapping[str, SdPrior]


def as_earlier(name: str, found: Found) -> Earlier:
    """What an analysed season says to later ones."""
    return earlier_season(name, found.effects, found.fits)


def with_seasons(found: Found, seasons: Sequence[Earlier]) -> Found:
    """The season as seen with those before it. found: of its own laps alone."""
    if not seasons:
        return found
    learned = _with_learned_scatter(found, seasons)
    effects = with_earlier(learned.effects, learned.fits, seasons)
    narrowed = narrowing(found.effects, learned.effects, effects)
    spoke = {name for effect in effects for name in effect.earlier}
    return replace(
        learned,
        effects=[
            replace(effect, alone=own.estimate)
            for effect, own in zip(effects, found.effects, strict=True)
        ],
        earlier=tuple(season.name for season in seasons if season.name in spoke),
        past=tuple(seasons),
        narrowed=narrowed,
        own=found,
    )


def _with_learned_scatter(found: Found, seasons: Sequence[Earlier]) -> Found:
    """The same with what effects scattered by between the meetings of earlier seasons."""
    fits, effects = dict(found.fits), list(found.effects)
    for outcome in found.data.outcomes:
        before, prior = found.fits.get(outcome.name), learned_scatter(seasons, outcome.name)
        if before is None or prior is None or MEETING_BLOCK not in before.base.fit.names:
            continue
        after = fits[outcome.name] = _refitted(found, before, {MEETING_BLOCK: prior})
        others = {**after.by_variable, **after.axes}
        new = linear_effects(
            outcome, after.base, others, found.standings, after.factor, these=False
        )
        told = {id(effect.standing): effect for effect in new}
        effects = [
            _of_same(effect, told) if effect.outcome == outcome.name else effect
            for effect in effects
        ]
    return replace(found, fits=fits, effects=effects)


def _of_same(effect: Effect, told: Mapping[int, Effect]) -> Effect:
    """The effect with the new fit's numbers; what was said of it, and of the meetings that were,
    stays."""
    return replace(effect, estimate=told[id(effect.standing)].estimate)


def _refitted(found: Found, before: OutcomeFits, learned: Priors) -> OutcomeFits:
    axes = {axis.condition: axis for axis in found.axes}
    base = _again(found.design, before.base, learned)
    # The other fits' scatter moves much as this one's did.
    near = {name: base.variances[name] for name in learned}
    return replace(
        before,
        base=base,
        by_variable={
            name: _again(found.design, one, learned, near)
            for name, one in before.by_variable.items()
        },
        axes={
            name: _again(axes[name].design(found.design), one, learned, near)
            for name, one in before.axes.items()
        },
    )


def _again(
    design: Design, before: OutcomeFit, learned: Priors, near: Mapping[str, float] | None = None
) -> OutcomeFit:
    """The same fit with other priors, from where it stood. near: variances to start from."""
    blocks = [block for block, _ in before.blocks]
    bare = replace(design, blocks=())
    start = before.variances | dict(near or {})
    return fit_outcome(bare, before.response, blocks, start, learned)
