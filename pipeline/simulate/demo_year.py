"""The demo team's year: where it goes, what it tries there, and how the clubs time it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.simulate.exports import Style
from pipeline.simulate.parts import CATALOGUE
from pipeline.simulate.track import Weather
from pipeline.simulate.trials import Trial

INDOORS = Weather()


@dataclass(frozen=True)
class Event:
    """A meeting of the demo's calendar.

    place: in season.PLACES_KNOWN; days: dates, each with its sessions (see words.session_names);
    second_class: whether it is raced too; attendance: share of the field that comes;
    lender_away: whether the driver who lends a transponder stays at home.
    """

    name: str
    place: int
    days: tuple[tuple[str, str], ...]
    style: Style
    weather: Weather = INDOORS
    second_class: bool = False
    attendance: float = 0.92
    lender_away: bool = False


CALENDAR = (
    Event("autumn-opener", 0, (("2025-10-04", "ppqqqqff"),), Style("laps", broken=3)),
    Event(
        "harbour-cup",
        1,
        (("2025-11-15", "ppqqq"), ("2025-11-16", "pqfff")),
        Style(
            "laps", "day", "de", "cp1252", ";", ",", surname_first=True, newline="\r\n", broken=3
        ),
        second_class=True,
    ),
    Event(
        "winter-round",
        5,
        (("2026-01-10", "ppqqqqff"),),
        Style("passings", delimiter="\t", ending="txt"),
        lender_away=True,
    ),
    Event(
        "fresh-carpet",
        3,
        (("2026-02-21", "ppqqqfff"),),
        Style("laps", "day", "en", "utf-8-sig", delimiter="\t", minutes=True, ending="txt"),
    ),
    Event(
        "spring-asphalt",
        2,
        (("2026-04-18", "ppqqqqff"),),
        Style("grid", "heat", "fr", "utf-16", delimiter=";", decimal=",", newline="\r\n"),
        Weather(air=17.0, sun=0.8, showers=((13.2, 13.9),)),
    ),
    Event(
        "may-test",
        6,
        (("2026-05-09", "tttttttt"),),
        Style("passings", names=False),
        Weather(air=21.0, sun=0.9),
        attendance=0.45,
    ),
    Event(
        "valley-final",
        4,
        (("2026-06-13", "ppqqqfff"),),
        Style("laps", "session", "es", "utf-8", ";", ",", minutes=True, clock="tone", broken=3),
        Weather(air=24.0, sun=1.0),
        second_class=True,
    ),
)
LOAN, WET, SPELT_RIVAL = 2, 4, 4  # places in CALENDAR

# Driver, then what is tried at each meeting of CALENDAR: factor=b-level, pattern over the runs.
# Some of it is done well; some after lunch only, as it is done everywhere.
TRIALS = {
    0: (
        "body=wedge abbaabba, centre_brace=removed aabbaabb, screws=alloy abababab",
        "centre_brace=removed abababab, rear_toe=2.5 aabbaabbaa",
        "wing=high abababab, screws=alloy abbaabba",
        "rear_bar=1.2 abababab, body=wedge aabbaabb, screws=alloy abbaabba",
        "rear_toe=2.5 abababab, rear_bar=1.4 abbaabba",
        "centre_brace=removed abbaabba, wing=high babababa",
        "body=wedge b, rear_toe=2.5 abababab, ride_height=5.4 aaaabbbb",
    ),
    1: (
        "rear_toe=2.5 abababab, screws=alloy aabbaabb",
        "body=wedge abbaabbaab, rear_bar=1.4 abababab",
        "centre_brace=removed abbaabba, rear_bar=1.4 babababa",
        "front_spring+front_oil=soft+350 abababab, centre_brace=removed aabbaabb",
        "body=wedge abababab, wing=high abbaabba, screws=alloy aabbaabb",
        "rear_toe=2.5 aabbaabb, screws=alloy abababab",
        "body=wedge babababa, centre_brace=removed abbaabba",
    ),
    2: (
        "rear_bar=1.2 abababab, wing=high bbaabbaa",
        "front_spring+front_oil=soft+350 abababab, screws=alloy abbaabbaab",
        "rear_toe=2.5 abbaabba, centre_brace=removed abababab, screws=alloy aabbaabb",
        "centre_brace=removed abababab, rear_toe=2.5 abbaabba",
        "rear_bar=1.2 aabbaabb, screws=alloy babababa",
        "body=wedge abbaabba, rear_bar=1.2 abababab, screws=alloy bbaabbaa",
        "rear_bar=1.4 abababab, wing=high aabbaabb",
    ),
    3: (
        "ride_height=5.4 aaaaabbb, centre_brace=removed abababab",
        "rear_bar=1.2 aabbaabbaa, wing=high babababa",
        "rear_bar=1.4 abababab, front_spring+front_oil=soft+350 abbaabba, screws=alloy aabbaabb",
        "body=wedge abababab, screws=alloy aabbaabb",
        "centre_brace=removed abababab, rear_toe=2.5 aaaabbbb",
        "front_spring+front_oil=soft+350 abababab, rear_toe=2.5 babababa",
        "rear_toe=2.5 abbaabba, body=wedge abababab, screws=alloy aabbaabb",
    ),
    4: (
        "body=wedge abababab, rear_toe=2.5 aabbaabb, screws=alloy abbaabba",
        "centre_brace=removed babababa, rear_toe=2.5 aabbaabbaa",
        "body=wedge babababa, rear_bar=1.4 aaaabbbb",
        "wing=high abababab, rear_bar=1.2 abbaabba, screws=alloy aabbaabb",
        "centre_brace=removed aabbaabb, body=wedge abababab",
        "screws=alloy abbaabba, rear_bar=1.2 aabbaabb",
        "centre_brace=removed abababab, screws=alloy bbaabbaa",
    ),
}


def trials() -> Iterator[Trial]:
    """TRIALS, one record each; what stands before '+' and after it changes together."""
    for driver, meetings in TRIALS.items():
        for meeting, text in enumerate(meetings):
            for one in text.split(", "):
                change, pattern = one.split(" ")
                names, levels = change.split("=")
                pairs = zip(names.split("+"), levels.split("+"), strict=True)
                tried = {name: (CATALOGUE[name].reference, level) for name, level in pairs}
                yield Trial(meeting, driver, tried, pattern)
