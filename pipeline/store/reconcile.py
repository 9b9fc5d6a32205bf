"""What comes in, beside what the store has: laps that are told twice are kept once."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.read.raw_rows import raw_rows
from pipeline.store.export_files import sha256_of
from pipeline.store.parquet import Batch, Store
from pipeline.store.records import ImportRecord, MeetingRecord
from pipeline.store.same_laps import may_tell_of
from pipeline.store.told import COLUMNS, Told, together, told
from pipeline.store.twice import Decisions, decide
from pipeline.store.twice_words import refuse, sentences
from pipeline.tables.schema import LAPS, SET_ASIDE
from pipeline.team.people import People
from pipeline.team.session_facts import plain_session

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.team.folder import Team

    Array = np.ndarray[Any, Any]


@dataclass(frozen=True, eq=False)
class Reconciled:
    """The batch, with those of the meeting's other files that give something up to it; a sentence
    for each pair of files; source -> sources that it corrects."""

    batch: Batch
    said: list[str]
    corrects: Mapping[str, list[str]]


def reconcile(
    team: Team,
    store: Store,
    batch: Batch,
    records: Iterable[MeetingRecord],
    ranks: dict[str, int],
) -> Reconciled:
    """Keep each lap once. records: what the store has that stays as it is, but for this. ranks:
    source -> place in the order in which the new files count, from 1.

    Raises UserError where a driver would be in two runs at once, or where a correction is of
    another meeting than what it corrects.
    """
    meeting = str(batch.sessions["meeting"].iloc[0])
    files = [(record.meeting, file) for record in records for file in record.files]
    known = [*(file for _, file in files), *batch.records]
    people = People(team.drivers, ((t, n) for file in known for t, n in file.people))
    own = _rows_of(store, meeting, [file for name, file in files if name == meeting])
    new = told(batch.laps, batch.sessions, team, people, ranks)
    parts = [told(own.laps, own.sessions, team, people, {})]
    for name in dict.fromkeys(name for name, _ in files if name != meeting):
        laps = store.arrow("laps", [name], COLUMNS, coded=True)
        other = told(laps, store.read("sessions", [name]), team, people, {})
        parts += [other] if may_tell_of(other, new) else []
    runs = together([*parts, new])
    decisions = decide(runs, len(runs) - len(new))
    refuse(team, runs, decisions)
    if not decisions.merged:
        return Reconciled(batch, [], {})
    kept = _Thinner(team, runs, decisions)
    new_batch = _named_alike(kept.thinned(batch, new, len(runs) - len(new)), decisions)
    changed = _changed(own, kept.thinned(own, parts[0], 0))
    corrects = defaultdict(list)
    for older, newer in sorted(decisions.corrected):
        corrects[newer.source].append(older.source)
    return Reconciled(_both(new_batch, changed), sentences(runs, decisions), corrects)


def _rows_of(store: Store, meeting: str, files: list[ImportRecord]) -> Batch:
    """All that the store has of these files of a meeting."""
    laps = store.arrow("laps", [meeting] if files else [], coded=True)
    whole = Batch(
        files, laps, store.read("set_aside", [meeting] if files else []),
        store.read("sessions", [meeting] if files else []),
    )  # fmt: skip
    return _of_sources(whole, [file.source for file in files])


def _of_sources(batch: Batch, sources: Iterable[str]) -> Batch:
    import pyarrow as pa
    import pyarrow.compute as pc

    wanted = set(sources)
    laps = _coded(batch.laps)
    own = pc.is_in(laps["source"].cast(pa.string()), pa.array(sorted(wanted), pa.string()))
    return Batch(
        [record for record in batch.records if record.source in wanted],
        laps.filter(own),
        batch.set_aside[batch.set_aside["source"].isin(wanted)],
        batch.sessions[batch.sessions["source"].isin(wanted)],
    )


def _changed(before: Batch, after: Batch) -> Batch:
    """Those files of a batch that have lost laps."""
    laps = {record.source: record.laps for record in before.records}
    return _of_sources(after, [r.source for r in after.records if r.laps < laps[r.source]])


def _both(one: Batch, other: Batch) -> Batch:
    import pyarrow as pa

    laps = [_coded(batch.laps).cast(LAPS.arrow()) for batch in (one, other)]
    return Batch(
        [*one.records, *other.records],
        pa.concat_tables(laps),
        pd.concat([one.set_aside, other.set_aside], ignore_index=True),
        pd.concat([one.sessions, other.sessions], ignore_index=True),
    )


def _coded(laps: pd.DataFrame | pa.Table) -> pa.Table:
    return LAPS.rows(laps)


class _Thinner:
    """Takes out of a batch the runs that others stand for, and sets their rows aside."""

    def __init__(self, team: Team, runs: Told, decisions: Decisions) -> None:
        self.folder, self.decisions = team.folder, decisions
        self.places = runs.places()
        self.standing = decisions.standing()

    def thinned(self, batch: Batch, part: Told, first: int) -> Batch:
        """The batch without them. part: its runs, those of all from `first` on."""
        import pyarrow as pa

        run = np.repeat(np.arange(first, first + len(part)), part.sizes)
        lost = self.standing[run] >= 0
        if not lost.any():
            return batch
        laps = _coded(batch.laps)
        kept = np.ones(laps.num_rows, dtype=bool)
        kept[part.rows[lost]] = False
        gone = laps.take(pa.array(part.rows[lost])).to_pandas().assign(run=run[lost])
        laps = laps.filter(pa.array(kept))
        sessions = _with_laps(batch.sessions, laps)
        aside = pd.concat([batch.set_aside, self._asides(batch, gone)], ignore_index=True)
        records = [self._less(record, gone, sessions) for record in batch.records]
        return Batch(records, laps, aside, sessions)

    def _asides(self, batch: Batch, gone: pd.DataFrame) -> pd.DataFrame:
        """schema.SET_ASIDE of laps that go."""
        newer = self.decisions.newer[gone["run"].to_numpy()]
        meetings = gone["meeting"].to_list()
        stands = [self.places[run] for run in self.standing[gone["run"].to_numpy()]]
        detail = [
            (f"by {place.file(here)}" if later else f"in {place.file(here)} too")
            + f", session {place.session}"
            for place, later, here in zip(stands, newer.tolist(), meetings, strict=True)
        ]
        raw = {record.source: self._raw(record, gone) for record in batch.records}
        names = ["source", "source_line", "driver", "lap", "lap_s"]
        text = [
            raw[source].get(line, f"{driver}, lap {lap}, {seconds:.3f} s")
            for source, line, driver, lap, seconds in gone[names].itertuples(index=False, name=None)
        ]
        return SET_ASIDE.conform({
            "meeting": meetings, "source": gone["source"].to_numpy(),
            "source_line": gone["source_line"].to_numpy(), "raw": text,
            "reason": np.where(newer, "replaced", "repeated"), "detail": detail,
        })  # fmt: skip

    def _raw(self, record: ImportRecord, gone: pd.DataFrame) -> dict[int, str]:
        """The rows as they stand in the export, if it still is what was imported."""
        path = self.folder / record.source
        lines = gone.loc[gone["source"] == record.source, "source_line"]
        if not len(lines) or not path.is_file() or sha256_of(path) != record.sha256:
            return {}
        return raw_rows(path, lines.tolist())

    def _less(
        self, record: ImportRecord, gone: pd.DataFrame, sessions: pd.DataFrame
    ) -> ImportRecord:
        own = gone[gone["source"] == record.source]
        if own.empty:
            return record
        runs = own["run"].to_numpy()
        reasons = Counter(dict(record.reasons))
        reasons.update(np.where(self.decisions.newer[runs], "replaced", "repeated").tolist())
        gave_way = {self.places[run][:2] for run in self.standing[runs]}
        left = sessions.loc[sessions["source"] == record.source, "session"]
        return replace(
            record,
            rows_kept=record.rows_kept - len(own),
            rows_set_aside=record.rows_set_aside + len(own),
            laps=record.laps - len(own),
            sessions=sorted(set(left)),
            reasons=dict(reasons),
            gave_way=sorted(map(list, {*map(tuple, record.gave_way), *gave_way})),
        )


def _with_laps(sessions: pd.DataFrame, laps: pa.Table) -> pd.DataFrame:
    """Sessions of which any lap is left."""
    keys = ["source", "session", "class", "heat"]
    left = laps.select(keys).to_pandas().astype("str").drop_duplicates()
    return sessions.merge(left, on=keys)[sessions.columns]


def _named_alike(batch: Batch, decisions: Decisions) -> Batch:
    """A session that has its name from the file's name is called as the one that it corrects:
    by that name the logs know it."""
    names = {
        (newer.source, newer.session): older.session
        for older, newer in sorted(decisions.corrected)
        if plain_session(newer.session) == plain_session(PurePosixPath(newer.source).stem)
    }
    taken = set(zip(batch.sessions["source"], batch.sessions["session"], strict=True))
    names = {key: name for key, name in names.items() if (key[0], name) not in taken}
    if not names:
        return batch
    import pyarrow as pa

    def renamed(table: pd.DataFrame) -> list[str]:
        pairs = zip(table["source"], table["session"], strict=True)
        return [names.get((source, session), session) for source, session in pairs]

    laps = _coded(batch.laps)
    field, place = laps.schema.field("session"), laps.schema.get_field_index("session")
    session = pa.array(renamed(laps.select(["source", "session"]).to_pandas().astype("str")))
    records = [
        replace(r, sessions=sorted({names.get((r.source, name), name) for name in r.sessions}))
        for r in batch.records
    ]
    return Batch(
        records,
        laps.set_column(place, field, session.cast(field.type)),
        batch.set_aside,
        batch.sessions.assign(session=renamed(batch.sessions)),
    )
