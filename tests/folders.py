"""A small team folder for tests: two team drivers, two meetings, two factors."""

from __future__ import annotations

from pathlib import Path

TOML = """\
[team]
name = "Test team"
race_seconds = 300
worthwhile_s = 0.03

[[factor]]
name = "rear_bar"
label = "Rear anti-roll bar"
kind = "ordered"
levels = ["1.2", "1.3", "1.4"]
reference = "1.3"
unit = "mm"

[[factor]]
name = "ride_height"
label = "Ride height"
kind = "number"
reference = "5.2"
unit = "mm"
"""
DRIVERS = """\
driver,transponder,team,from,until
Ann Arbor,101,yes,,
Bo Burg,102,yes,,
"""
MEETINGS = """\
meeting,date,venue,surface,grip,timezone,layout
spring,2026-04-18,Hall,carpet,high,Europe/Berlin,
summer,2026-07-04,Park,asphalt,low,Europe/Berlin,
"""


def team_folder(folder: Path, **files: str) -> Path:
    """Write the folder; `setups="…"` adds or replaces setups.csv, and so on."""
    texts = {"drivers": DRIVERS, "meetings": MEETINGS, **files}
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "team.toml").write_text(texts.pop("toml", TOML))
    for stem, text in texts.items():
        (folder / f"{stem}.csv").write_text(text)
    return folder
