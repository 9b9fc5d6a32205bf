"""Why a row is set aside and what a lap can be: tables that the commands and pages read."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Reason:
    """A code with its title, what it means, and an example row."""

    code: str
    title: str
    explanation: str
    example: str


REASONS: tuple[Reason, ...] = (
    Reason(
        "wrong_columns",
        "Wrong number of cells",
        "The line has more or fewer cells than the header and cannot be completed safely.",
        "1234567;3;16,2;34;10:32:05",
    ),
    Reason(
        "no_car",
        "No driver and no transponder",
        "Nothing in the row says whose lap it is.",
        ";;5;16.234",
    ),
    Reason(
        "no_time",
        "No time",
        "The cell of the time is empty or holds a word or dashes instead.",
        "Ada Quill;4;--",
    ),
    Reason(
        "unreadable_time",
        "Time that cannot be read",
        "The cell of the time holds something that no known way of writing a time explains.",
        "Ada Quill;4;16.2x4",
    ),
    Reason(
        "impossible_time",
        "Time that cannot be a lap",
        "The lap time is zero, negative or longer than an hour.",
        "Ada Quill;4;0.000",
    ),
    Reason(
        "unreadable_lap",
        "Lap number that cannot be read",
        "The cell of the lap number holds something that is not a whole number.",
        "Ada Quill;four;16.234",
    ),
    Reason(
        "clock_back",
        "Clock ran backwards",
        "The passing is earlier than the one before it of the same transponder.",
        "10:32:05 after 10:32:40",
    ),
    Reason(
        "repeated",
        "Repeated row",
        "The same lap or passing stands in this file, or in another export, already.",
        "Ada Quill;4;16.234 (twice)",
    ),
    Reason(
        "line_too_long",
        "Line too long",
        "The line has more than 100,000 characters; no timing export has such rows.",
        "aaaaaaaa...",
    ),
)

# Told by comparing files, when they are imported.
BETWEEN_FILES: tuple[Reason, ...] = (
    Reason(
        "replaced",
        "Corrected by a later export",
        "Another export of the session, made later, has the run's laps otherwise.",
        "Ada Quill;4;16.234 (16.934 in the later one)",
    ),
)
TITLES = {reason.code: reason.title for reason in (*REASONS, *BETWEEN_FILES)}

STATUSES: tuple[Reason, ...] = (
    Reason("clean", "Clean lap", "Nothing speaks against it; used for pace and spread.", "16.234"),
    Reason(
        "first",
        "First lap",
        "The run's first lap: the clock started at the tone, the flag or the first passing, and "
        "car and tyres were not yet up to speed.",
        "18.902 as lap 1",
    ),
    Reason(
        "incident",
        "Incident",
        "Far slower than the run's own usual lap: a crash, a spin, a wait for a marshal.",
        "21.480 among laps of 16.2",
    ),
    Reason(
        "traffic",
        "Traffic",
        "At its start the car ahead was so close that, at both cars' usual pace, it was caught "
        "within the lap.",
        "16.700 started 0.15 s behind a slower car",
    ),
    Reason(
        "missed",
        "Missed passing",
        "Two, three or four times the usual lap: the line did not see the car in between.",
        "32.455 among laps of 16.2",
    ),
    Reason(
        "double",
        "Double passing",
        "The line saw the car twice; the lap is only a part of one.",
        "1.204, then 15.030",
    ),
    Reason(
        "neutralised",
        "Neutralised",
        "The whole field was slow at the same time: a stopped race, marshals on the track, a "
        "shower. It says nothing about the car, the driver or the grip.",
        "41.800 while all others were as slow",
    ),
    Reason(
        "other",
        "Other",
        "A timed lap that is none of these and cannot be compared: a stop, a short cut.",
        "74.310 among laps of 16.2",
    ),
)
