"""The sentences that later pages are to take from one place, to the word."""

from __future__ import annotations

from pathlib import Path

import pytest

import pipeline
from pipeline.report import cautions

PACKAGE = Path(pipeline.__file__).parent
README = PACKAGE.parent / "README.md"


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("UNPLUG", "Unplug the battery before hands go near motor or gears."),
        ("TRACK", "Nobody on the track while cars run."),
        ("AS_LABELLED", "as its label and the venue allow"),
        ("EVENT_DECIDES", "the event's rules decide"),
        (
            "LOGBOOK_HEAD",
            "At the table, not while marshalling. Unplug the battery before you work on the car.",
        ),
        ("LOGBOOK_STAYS", "stays on this phone until you hand it on"),
        ("ONE_DRIVER", "Rests on one driver"),
        ("TEAM_ONLY", "backtoback share"),
    ],
)
def test_each_sentence_has_its_place(name: str, words: str) -> None:
    assert words in getattr(cautions, name)


def test_none_is_written_a_second_time() -> None:
    sentences = [cautions.BATTERIES, cautions.UNPLUG, cautions.TRACK, cautions.RULES]
    for file in (p for end in ("py", "html") for p in PACKAGE.rglob(f"*.{end}")):
        if file.name != "cautions.py":
            text = " ".join(file.read_text("utf-8").split())
            assert [s for s in sentences if s in text] == [], file


@pytest.mark.skipif(not README.exists(), reason="an installed package has no README")
def test_the_readme_warns_in_the_same_words() -> None:
    text = " ".join(README.read_text("utf-8").split())
    assert cautions.BATTERIES in text and cautions.UNPLUG in text and cautions.TRACK in text
