"""A new team folder: files that explain themselves by an invented example."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import UserError

FILES = {
    "team.toml": """\
# The team, what can be changed on its cars, and what it believes about that.

[team]
name = "Our team"
race_seconds = 300            # length of a race, for the effect over a race
worthwhile_s = 0.03           # a smaller difference in seconds a lap does not matter to you
# class = "touring"           # the racing class that is meant, where exports hold several

# One [[factor]] for each thing that you change. `name` is its name in setups.csv.
# kind: "ordered" (levels from less to more), "category" (levels without order) or "number".

[[factor]]
name = "rear_bar"
label = "Rear anti-roll bar"
kind = "ordered"
levels = ["1.2", "1.3", "1.4"]
reference = "1.3"             # what the others are compared with; `std` in setups.csv
unit = "mm"

[[factor]]
name = "floor_screws"
label = "Screws in the middle of the chassis"
kind = "category"
levels = ["in", "out"]
reference = "in"

[[factor]]
name = "ride_height"
label = "Ride height"
kind = "number"
reference = "5.2"
unit = "mm"

# One [[condition]] for each number of the day that may move an effect, with a column of that name
# in meetings.csv or sessions.csv (or none). Without `step` a quarter of the range counts as one.
#
# [[condition]]
# name = "track_temp"
# label = "Track temperature"
# unit = "°C"
# step = 5

# One [[feel]] for each thing that drivers score after a run, -2 (worse) to 2 (better): on the pages
# of `logbook`, or in feel.csv. Five at most, or none.

[[feel]]
name = "rear_grip"
label = "Rear grip"
worse = "loose"
better = "planted"

# One [[claim]] for each belief that you want tested (as many as you like, or none).
# outcome: pace, spread, mistakes, fade or race. expect: lower, higher or same.

[[claim]]
text = "A thicker rear bar is more consistent in high grip"
factor = "rear_bar"
from = "1.3"
to = "1.4"
outcome = "spread"
expect = "lower"
grip = "high"                 # optional; also surface = "carpet"
""",
    "drivers.csv": """\
# One row a transponder and period. `from` and `until` are dates, or empty for always: a lent
# transponder gets one row for each driver. Drivers who are not listed are the field.
# share: yes lets the driver's name and effects stand in team-mates' files, once all of the team
# have it. Write yes only if the driver agrees; for a child, the parents too.
driver,transponder,team,from,until,share
Alex Example,1000001,yes,,,yes
Robin Example,1000002,yes,,2026-06-30,no
Sam Sample,1000002,no,2026-07-01,,no
""",
    "meetings.csv": """\
# One row a meeting. surface is a word (carpet, asphalt); grip is low, medium, high or empty;
# timezone as Europe/Berlin, or empty for UTC. Further days of a meeting go into sessions.csv.
meeting,date,venue,surface,grip,timezone,layout
spring-round,2026-04-18,Example Hall,carpet,medium,,
""",
    "sessions.csv": """\
# Only what the exports do not say, and sessions to leave out; the whole file may be missing.
# kind is practice, qualifying, final or test; exclude is empty, yes, or a reason (rain); grip is
# low, medium or high where it differs from the meeting's.
meeting,session,kind,date,start,class,exclude,grip
spring-round,Shakedown,practice,,09:30,,track was still wet,
""",
    "setups.csv": """\
# The setup log. `run` is the number of the driver's run in that meeting from which the value
# holds, or a time of day (13:45), or a session's name. It holds until the next row for that
# driver and factor, in later meetings too; `reset` ends it, `std` is the reference.
# The other form has one row a run and a column for each factor: meeting,driver,run,rear_bar,...
meeting,driver,run,factor,value,note
spring-round,Alex Example,1,rear_bar,std,
spring-round,Alex Example,1,floor_screws,in,
spring-round,Alex Example,1,ride_height,5.2 mm,
spring-round,Alex Example,3,rear_bar,1.4,back to back with run 2
spring-round,Alex Example,13:45,floor_screws,out,
""",
}


def write_new_team(folder: Path) -> list[str]:
    """Write the example files; the names written.

    Raises UserError, before anything is written, if one of them is there already.
    """
    from pipeline.tables.outputs import write_files

    there = [name for name in FILES if (folder / name).exists()]
    if there:
        raise UserError(
            f"'{folder}' already has {', '.join(there)}; nothing was changed. Give another folder"
        )
    files = {name: text.encode() for name, text in FILES.items()}
    write_files(folder, files, listed=False)
    (folder / "exports").mkdir(exist_ok=True)
    return [*FILES, "exports/"]
