"""What is said so that nobody gets hurt or named: each sentence once, for every page that needs it.

The tool only reminds: makers, the rules of the event, the venue and local law decide.
"""

from __future__ import annotations

import re

# Hands and heat. A motor that was stopped can start again; one without a battery cannot.
BATTERIES = "Charge and store batteries as their maker says."
UNPLUG = "Unplug the battery before hands go near motor or gears."
TRACK = "Nobody on the track while cars run."
CHEMICALS = "Use thread-locking compound and additive as their labels and the venue allow."
RULES = "The rules of the event and of the federation decide what may be changed."
SHEET = " ".join((BATTERIES, UNPLUG, TRACK, CHEMICALS, RULES))

# Advice on what to fit, beside a chemical or its minutes; no value beyond what was run.
AS_LABELLED = "as its label and the venue allow"
EVENT_DECIDES = "the event's rules decide"
_CHEMICAL = re.compile(r"additive|compound|solvent|cleaner|\bmin(utes?)?\b", re.IGNORECASE)
# Where advice to strangers rests on the running of one person.
ONE_DRIVER = "Rests on one driver: with another at the wheel it may be otherwise."

# The page on which the log is kept at the track.
LOGBOOK_HEAD = "At the table, not while marshalling. Unplug the battery before you work on the car."
LOGBOOK_STAYS = "What you enter stays on this phone until you hand it on."

# Below pages that name drivers.
TEAM_ONLY = (
    "For the team: this page names its drivers and holds their runs. To send something on, make a "
    "driver's file: backtoback share."
)


def beside_advice(label: str, unit: str) -> str:
    """What stands beside advice on a chemical or its minutes; '' beside all other advice."""
    if not _CHEMICAL.search(f"{label} {unit}"):
        return ""
    return f"{AS_LABELLED[0].upper()}{AS_LABELLED[1:]}; {EVENT_DECIDES}."
