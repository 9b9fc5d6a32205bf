"""How far a command is: a bar with the time left on a terminal, lines elsewhere, both after 2 s."""

from __future__ import annotations

import io
import re
import threading

import pytest

from pipeline.cli import steps as module
from pipeline.cli.steps import Steps


class Terminal(io.StringIO):
    """A terminal of 100 columns."""

    def isatty(self) -> bool:
        return True


class Clock:
    """A clock that the test sets, for both of Python's."""

    def __init__(self) -> None:
        self.now = 1000.0

    def perf_counter(self) -> float:
        return self.now

    time = perf_counter


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    found = Clock()
    monkeypatch.setattr(module, "time", found)
    monkeypatch.setattr("tqdm.std.time", found.time)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("LINES", "30")
    return found


def bars(terminal: Terminal) -> list[tuple[str, int, str]]:
    """Each bar that was drawn: stage, percent, time left."""
    found = re.findall(r"  (\w+) \|.{24}\| +(\d+) %  (\S+) left", terminal.getvalue())
    return [(stage, int(percent), left) for stage, percent, left in found]


def test_on_a_terminal_a_bar_says_how_much_time_is_left(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    terminal, threads = Terminal(), threading.active_count()
    monkeypatch.setattr("sys.stderr", terminal)
    steps = Steps({"reading": 2, "fits": 6, "report": 2})
    steps("reading")
    clock.now += 1.5
    steps("fits")
    assert terminal.getvalue() == ""  # not two seconds yet
    clock.now += 1.5
    steps("fits")
    clock.now += 3
    steps("report")
    clock.now += 2
    steps("")
    # One part of six of the fits: 3 of 10 in 3 s; then 8 of 10 in 6 s.
    assert bars(terminal)[0] == ("fits", 30, "00:07")
    assert bars(terminal)[-1] == ("report", 80, "00:01")
    assert threading.active_count() == threads  # the fits are split from the only thread
    assert terminal.getvalue().endswith("\r")  # gone before anything else is said
    assert steps.seconds == {"reading": 1.5, "fits": 4.5, "report": 2.0}


def test_a_stage_that_nobody_expected_does_no_harm(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    for steps in (Steps(), Steps({"reading": 1})):
        for stage in ("reading", "something else", "something else", "more"):
            steps(stage)
            clock.now += 3
        steps("")
        assert set(steps.seconds) == {"reading", "something else", "more"}


def test_elsewhere_a_line_a_stage(clock: Clock, capsys: pytest.CaptureFixture[str]) -> None:
    steps = Steps({"reading": 2, "fits": 6})
    steps("reading")
    clock.now += 2.5
    steps("fits")
    steps("fits")
    steps("")
    assert capsys.readouterr().err == "  fits …\n"


def test_stages_that_will_come_count(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    steps = Steps({"reading": 1})
    steps.expect({"file": 3})
    steps("reading")
    clock.now += 4
    steps("file")
    steps("")
    assert bars(terminal)[-1] == ("file", 25, "00:12")
