"""Other people's names and numbers out of one driver's file: the last step before a page is made.

Rows about team-mates stand there only where all of the team agreed; else they go, and so do the
team's counts, from which one could be told by taking the others away. In texts a team-mate becomes
'a team-mate', a rival 'another driver', a transponder 'a transponder'. All is done on tables;
`leaks` then looks at the finished bytes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from html import unescape
from typing import TYPE_CHECKING, Any

from pipeline.report.names import Names
from pipeline.report.private_choices import private_decisions
from pipeline.report.same_runs import said_once
from pipeline.report.words import missing
from pipeline.tables.outcomes import OUTCOMES

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.decisions import Decisions
    from pipeline.tables.records import SeasonResult

MATE, RIVAL, NUMBER = "a team-mate", "another driver", "a transponder"
SHORTEST_NAME = 3  # shorter ones go as they are written, those of one sign as whole cells alone
SHORTEST_PART = 3
# What people write freely: parts of names (a first name) go as well.
FREE_TEXT = {"session", "heat", "excluded", "text", "sentence", "changed", "reason"}
# The team's tables of which a driver's file may hold rows; all others come to it empty.
TABLES = ("effects", "cannot_tell", "needs", "these")
# Counts of the team: less one's own runs, they are the team-mates'.
COUNTS = ("n_runs", "n_drivers", "n_meetings", "n_switches", "information_left")
LEAST_NAMED = 3  # of two drivers each would know the other's answer
KEYS = ["outcome", "factor", "level", "reference"]
# When a change was made, and by how many: whoever was there knows by whom.
_WHEN = re.compile(
    r",? ?\(?on \d{4}-\d{2}-\d{2} about \d{2}:\d{2}, by (?:one driver|\d+ drivers)\)?"
)
# The tool's own words: nothing in them can be a name.
OWN_WORDS = {
    *("outcome", "verdict", "expect", "condition", "status", "component", "session_kind"),
    *("factor", "start", "time", "date", "message", "mixed_with", "driver"),
    *("advice", "grip", "property", "words"),
}


@dataclass(frozen=True)
class Others:
    """Who must not stand in a file. mates, rivals: names in every spelling; numbers: all
    transponders; shown: names that may stand (the driver's own, and those who agreed).
    """

    shown: frozenset[str]
    mates: frozenset[str]
    rivals: frozenset[str]
    numbers: frozenset[str] = frozenset()

    def scrub(self, text: Any, *, parts: bool = False) -> Any:
        """The text without other people's names and numbers; `parts`: first and last names too."""
        if missing(text) or not isinstance(text, str) or text in self.shown:
            return text
        if text in self._said:
            return self._said[text]
        text = self._whole.sub(self._replace, text)
        text = self._part.sub(self._replace, text) if parts else text
        text = self._short.sub(self._replace, text)
        for name, start, end in reversed(self._every.find(text)):
            text = f"{text[:start]}{self._said[name]}{text[end:]}"
        return text

    def standing_in(self, text: str) -> list[str]:
        """Names of several words, and numbers, that stand in a text in any spelling.

        A name of one word is not looked for: it may be a word of the page itself.
        """
        return list(dict.fromkeys(each.name for each in self._in_any_spelling.find(text)))

    def _replace(self, found: re.Match[str]) -> str:
        return self._said[_plain(found.group())]

    @cached_property
    def _said(self) -> dict[str, str]:
        """What stands instead, by name as written and by name in plain spelling."""
        said: dict[str, str] = {}
        for names, word in ((self.rivals, RIVAL), (self.mates, MATE), (self.numbers, NUMBER)):
            for name in names:
                for part in _parts(name):
                    said.setdefault(_plain(part), word)
        for names, word in ((self.numbers, NUMBER), (self.rivals, RIVAL), (self.mates, MATE)):
            for name in names:
                said[name] = said[_plain(name)] = word
        return said

    @cached_property
    def _in_any_spelling(self) -> Names:
        return Names(self._hidden, self.numbers)

    @cached_property
    def _every(self) -> Names:
        return Names(self._hidden, self.numbers, SHORTEST_NAME)

    @cached_property
    def _hidden(self) -> set[str]:
        own = Names(self.shown, single=1)
        return {name for name in (*self.mates, *self.rivals) if not own.are_all_of(name)}

    @cached_property
    def _short(self) -> re.Pattern[str]:
        """Names of two signs, as they are written: in another case they are any word."""
        names = sorted(n for n in {*self.mates, *self.rivals} - self.shown if len(n.strip()) == 2)
        return re.compile("|".join(_bounded(name) for name in names) or r"(?!)")

    @cached_property
    def _whole(self) -> re.Pattern[str]:
        names = {*self._hidden, *self.numbers}
        return _any_of(name for name in names if len(name.strip()) >= SHORTEST_NAME)

    @cached_property
    def _part(self) -> re.Pattern[str]:
        own = {_plain(part) for name in self.shown for part in _parts(name)}
        parts = {part for name in (*self.mates, *self.rivals) for part in _parts(name)}
        return _any_of(part for part in parts if _plain(part) not in own)


def _plain(text: str) -> str:
    return " ".join(text.casefold().split())


def _parts(name: str) -> list[str]:
    return [part for part in re.split(r"[\s,.]+", name) if len(part) >= SHORTEST_PART]


def _any_of(names: Iterable[str]) -> re.Pattern[str]:
    """Any of the names as whole words, the longest first, in any case and spacing."""
    ordered = sorted({" ".join(name.split()) for name in names}, key=lambda n: (-len(n), n))
    forms = [_bounded(name) for name in ordered if name]
    return re.compile("|".join(forms) if forms else r"(?!)", re.IGNORECASE)


def _bounded(name: str) -> str:
    before = r"(?<!\w)" if re.match(r"\w", name) else ""
    before += r"(?<!\d\.)" if name[:1].isdigit() else ""  # not the decimals of a number
    after = r"(?!\w)" if re.search(r"\w$", name) else ""
    return before + r"\s+".join(re.escape(word) for word in name.split()) + after


def for_driver(result: SeasonResult, driver: str, others: Others) -> SeasonResult:
    """The season's tables as `driver` may see them: own runs and effects, the team's findings.

    Team-mates' effects, pace and spread, stand there by name or not at all (`others_of`). How a
    car felt is each driver's own. Tables that are not named here come back empty.
    """
    result = said_once(result)
    shared = {
        name: _findings(found) for name in TABLES if (found := getattr(result, name)) is not None
    }
    shared["runs"] = result.runs[result.runs["driver"] == driver]
    shared["by_driver"] = _by_driver(result.by_driver, driver, others)
    if result.agreement is not None:
        shared["agreement"] = result.agreement[result.agreement["driver"] == driver]
    clean: dict[str, Any] = {name: scrubbed(frame, others) for name, frame in shared.items()}
    clean["decisions"] = _decisions(result.decisions, driver, others)
    rest = {f.name: getattr(result, f.name) for f in fields(result)}
    empty = {name: t.iloc[:0] for name, t in rest.items() if hasattr(t, "iloc")}
    said = {
        "notes": (),
        "seasons": (),
        "placebo": "",
        "placebo_warning": "",
        "second_opinion_note": "",
    }
    return replace(
        result, **{**empty, **clean, **said, "changes": None, "alone": None, "second_opinion": None}
    )


def _decisions(found: Decisions | None, driver: str, others: Others) -> Decisions | None:
    """The driver's own choices and the team's, see private_choices; every text scrubbed."""
    if found is None:
        return None
    own = private_decisions(found, driver, len(others.shown) > 1)
    frames = {name: rows for name, rows in vars(own).items() if hasattr(rows, "iloc")}
    clean: dict[str, Any] = {name: scrubbed(rows, others) for name, rows in frames.items()}
    notes = tuple(others.scrub(note, parts=True) for note in own.notes)
    felt = {place: others.scrub(words, parts=True) for place, words in own.felt.items()}
    return replace(own, notes=notes, felt=felt, **clean)


def _findings(frame: pd.DataFrame) -> pd.DataFrame:
    """A table of the team's without its counts, its feel, and when what was changed by how many."""
    kept = frame.drop(columns=[name for name in COUNTS if name in frame])
    if "outcome" in kept:
        kept = kept[kept["outcome"].isin(OUTCOMES)]
    if "sentence" in kept:
        kept = kept.assign(sentence=[_WHEN.sub("", text) for text in kept["sentence"]])
    return kept


def _by_driver(frame: pd.DataFrame, driver: str, others: Others) -> pd.DataFrame:
    """Own effects, and those of team-mates who may be named.

    Drivers' effects average to the team's: of a change that one team-mate ran besides, own and
    team's would give that one's, so that one's own row stays away unless both may be named.
    """
    drivers = frame.groupby(KEYS)["driver"].transform("nunique")
    named = frame["driver"].isin(others.shown)
    own = (frame["driver"] == driver) & ((drivers != 2) | (len(others.shown) > 1))
    return frame[own | (named & (frame["driver"] != driver) & frame["outcome"].isin(OUTCOMES))]


def scrubbed(frame: pd.DataFrame, others: Others) -> pd.DataFrame:
    """A table with every text cell scrubbed but the tool's own words and `driver`."""
    out = {}
    for name in frame.columns:
        column = frame[name]
        if name not in OWN_WORDS and not _numeric(column):
            values = {v: others.scrub(v, parts=name in FREE_TEXT) for v in column.dropna().unique()}
            if values:  # a column without a value would lose its kind
                column = column.map(lambda v, values=values: values.get(v, v))
        out[name] = column
    return frame.assign(**out)


def _numeric(column: pd.Series) -> bool:
    return column.dtype.kind in "biufM" or str(column.dtype) in {"Int64", "Float64", "boolean"}


def context_for_driver(context: ReportContext, others: Others) -> ReportContext:
    """The team's words without names; no list of input files, whose names may hold some."""
    made = replace(context.provenance, command="backtoback share", inputs=())
    factors = {
        name: replace(factor, label=others.scrub(factor.label), unit=others.scrub(factor.unit))
        for name, factor in context.factors.items()
    }
    outcomes = {
        name: replace(
            one, label=others.scrub(one.label), ends=tuple(others.scrub(word) for word in one.ends)
        )
        for name, one in context.outcomes.items()
    }
    return replace(
        context, team=others.scrub(context.team), class_name=others.scrub(context.class_name),
        factors=factors, outcomes=outcomes, provenance=made,
    )  # fmt: skip


def leaks(html: str, others: Others) -> list[str]:
    """Names and numbers that still stand in the page, in any spelling: there should be none."""
    text = unescape(html)
    bare = " ".join(re.sub(r"<[^>]*>", " ", text).split())
    return list(dict.fromkeys([*others.standing_in(text), *others.standing_in(bare)]))


def others_of(
    driver: str,
    people: pd.DataFrame,
    consenting: Iterable[str],
    spellings: Mapping[str, Iterable[str]],
    numbers: Iterable[str],
) -> Others:
    """Who is hidden from `driver`.

    people: driver, team (bool). consenting: team drivers who agreed to stand in others' files.
    spellings: driver → names as given in the exports. numbers: every transponder.
    """
    team = set(people.loc[people["team"], "driver"])
    shown = {driver, *_named(team, consenting)}
    mates, rivals = team - shown, {*people["driver"], *spellings} - team - shown
    return Others(
        frozenset(shown),
        frozenset(_all_spellings(mates, spellings) - shown),
        frozenset(_all_spellings(rivals, spellings) - shown),
        frozenset(str(n) for n in numbers if n),
    )


def _named(team: set[str], consenting: Iterable[str]) -> set[str]:
    """Who may stand in team-mates' files: all of the team, or nobody.

    Where some are named, everybody in the team knows who is not. So one who did not agree (or was
    not asked) leaves all unnamed, and nobody can tell which one that is.
    """
    return team if len(team) >= LEAST_NAMED and team <= set(consenting) else set()


def _all_spellings(names: set[str], spellings: Mapping[str, Iterable[str]]) -> set[str]:
    return names | {given for name in names for given in spellings.get(name, ()) if given}
