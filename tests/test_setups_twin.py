"""The join of the setup log against a slow and obvious twin, on random seasons and logs."""

import pandas as pd
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipeline.runs.setups import Entry, SetupLog, join
from pipeline.team.folder import Factor, Team

FACTORS = (Factor("bar", "Bar", "category", ("a", "b", "c"), "a"), Factor("oil", "Oil", "number"))
DAYS = {"m1": "2026-01-10", "m2": "2026-02-10", "m3": "2026-03-10"}


def team():
    meetings = pd.DataFrame({"meeting": list(DAYS), "date": list(DAYS.values())})
    nothing = pd.DataFrame()
    return Team(None, "t", 300, 0.03, FACTORS, (), nothing, meetings, nothing)


def season(counts):
    """counts: (meeting, driver) -> number of runs, one an hour from 9 on."""
    rows = [
        (meeting, DAYS[meeting], "", f"S{n}", driver, True, n, 8.0 + n, True)
        for (meeting, driver), count in counts.items()
        for n in range(1, count + 1)
    ]
    columns = ["meeting", "date", "class", "session", "driver", "team", "run_no"]
    return pd.DataFrame(rows, columns=[*columns, "start_hour", "hour_known"])


def twin(runs, entries):
    """Every run looks through the whole log for what holds for it (the form does not matter), and
    for where it was logged, if that was another meeting."""
    answer = {factor.name: [] for factor in FACTORS}
    earlier = {factor.name: {} for factor in FACTORS}
    for run in runs.itertuples():
        for factor in FACTORS:
            holds = at_meeting = None
            for e in sorted(entries, key=lambda e: (DAYS[e.meeting], int(e.run), e.line)):
                if (e.driver, e.factor) != (run.driver, factor.name):
                    continue
                if (DAYS[e.meeting], int(e.run)) <= (run.date, run.run_no):
                    holds, at_meeting = (None if e.value == "reset" else e.value), e.meeting
            answer[factor.name].append(holds)
            if holds and at_meeting != run.meeting:
                earlier[factor.name][run.Index] = at_meeting
    return answer, {name: cells for name, cells in earlier.items() if cells}


@st.composite
def seasons_and_logs(draw):
    keys = [(meeting, driver) for meeting in DAYS for driver in ("Ann", "Bo")]
    counts = {key: draw(st.integers(0, 4)) for key in keys}
    places = [(m, d, n) for (m, d), count in counts.items() for n in range(1, count + 1)]
    assume(places)
    pool = st.tuples(st.sampled_from(places), st.sampled_from(["bar", "oil"]))
    chosen = draw(st.lists(pool, unique=True, max_size=8))
    entries = [
        Entry(line, meeting, driver, str(number), "", factor,
              draw(st.sampled_from(["a", "b", "c", "reset"] if factor == "bar" else ["1", "2.5"])))
        for line, ((meeting, driver, number), factor) in enumerate(chosen, start=2)
    ]  # fmt: skip
    return season(counts), entries, draw(st.booleans())


@settings(max_examples=150, deadline=None)
@given(seasons_and_logs())
def test_every_run_has_what_the_log_says_of_it(drawn):
    runs, entries, sheet_form = drawn
    log = SetupLog(sheet_form=sheet_form, entries=entries)
    found = join(team(), log, runs)
    assert log.problems == log.warnings == []
    expected, earlier = twin(runs, entries)
    assert {name: cells for name, cells in log.carried.items() if cells} == earlier
    for name in expected:
        assert (
            found[name].astype(object).where(found[name].notna(), None).to_list() == expected[name]
        )
