"""Seasons of a team: which meetings belong together, and which season is meant."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from pipeline.errors import CallError
from pipeline.team.sheets import nearest

USUAL_MEETINGS = 6  # of a season of which nothing is known
OPEN_END = "9999-12-31"


@dataclass(frozen=True)
class NamedSeason:
    """A [[season]] of team.toml. begins, ends: ISO days, both in it. meetings: planned, or None."""

    name: str
    begins: str
    ends: str
    meetings: int | None = None

    def holds(self, day: str) -> bool:
        return self.begins <= day <= self.ends


@dataclass(frozen=True)
class Division:
    """The season that is looked at and those before it, oldest first, each with its meetings; left:
    meetings that are in none, or in one that is left out."""

    present: str
    meetings: tuple[str, ...]
    earlier: tuple[tuple[str, tuple[str, ...]], ...]
    planned: int
    notes: tuple[str, ...] = ()


def divide(
    seasons: Sequence[NamedSeason],
    began: Sequence[tuple[str, str]],
    name: str | None = None,
    alone: bool = False,
    without: Collection[str] = (),
) -> Division:
    """Which meetings are of which season. began: (meeting, ISO day on which it began), those that
    have laps.

    name: the season that is looked at; None: that of the last meeting. alone: without earlier
    ones; without: names of those to leave out. Raises CallError for a season that there is not.
    """
    if not seasons:
        for option, given in (("name", name), ("alone", alone), ("without", without)):
            if given:
                raise CallError(
                    "without [[season]] all meetings are one season, and "
                    f"--{option} is a wrong call"
                )
        return Division("", tuple(meeting for meeting, _ in began), (), USUAL_MEETINGS)
    ordered = sorted(seasons, key=lambda season: season.begins)
    of = {season.name: [m for m, day in began if season.holds(day)] for season in ordered}
    run = [season for season in ordered if of[season.name]]
    left_out = [_named(one, ordered) for one in without]
    present = _named(name, ordered) if name is not None else run[-1] if run else None
    if present is None or not of[present.name]:
        which = "any [[season]]" if present is None else f"the season '{present.name}'"
        raise CallError(f"no meeting with laps lies in {which}")
    before = [season for season in run if season.begins < present.begins]
    spoke = [season for season in before if not alone and season not in left_out]
    last = len(of[before[-1].name]) if before else USUAL_MEETINGS
    return Division(
        present.name,
        tuple(of[present.name]),
        tuple((season.name, tuple(of[season.name])) for season in spoke),
        present.meetings or last,
        tuple(_said(ordered, began, [s.name for s in before if s not in spoke])),
    )


def _named(name: str, seasons: Sequence[NamedSeason]) -> NamedSeason:
    for season in seasons:
        if season.name.casefold() == " ".join(name.split()).casefold():
            return season
    names = [season.name for season in seasons]
    advice = nearest(name, names)
    raise CallError(f"no season '{name}': {', '.join(names)}. {advice}".rstrip())


def _said(
    seasons: Sequence[NamedSeason], began: Sequence[tuple[str, str]], left_out: Sequence[str]
) -> list[str]:
    stray = [meeting for meeting, day in began if not any(s.holds(day) for s in seasons)]
    notes = [f"{', '.join(stray)}: in no [[season]] of team.toml, left out"] if stray else []
    if left_out:
        notes.append(f"left out, as was asked: season {', '.join(left_out)}")
    return notes
