"""Emulated phones, and a thumb that uses a logbook on them."""

from __future__ import annotations

import datetime
from contextlib import contextmanager
from pathlib import Path
from typing import Any

PHONES = {
    "small": {"viewport": {"width": 360, "height": 640}, "device_scale_factor": 3},
    "tall": {"viewport": {"width": 393, "height": 851}, "device_scale_factor": 2.75},
}
DAY = datetime.datetime(2026, 7, 4, 9, 30)


class Phone:
    """A phone without a network, whose clock stands at nine thirty on the day of the meeting.

    said: everything that reached the console; asked: every address that was asked for.
    """

    def __init__(self, chromium: Any, kind: str = "small", **options: Any) -> None:
        self.context = chromium.new_context(
            **{**PHONES[kind], "is_mobile": True, "has_touch": True, **options}
        )
        self.context.set_offline(True)
        self.said: list[str] = []
        self.asked: list[str] = []

    def open(self, path: Path, script: str = "", at: datetime.datetime = DAY) -> Logbook:
        """A tab with the page; `script` is run in it before the page's own."""
        page = self.context.new_page()
        page.on("console", lambda message: self.said.append(message.text))
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("dialog", lambda dialog: (self.said.append(dialog.type), dialog.accept()))
        page.clock.install(time=at)
        if script:
            page.add_init_script(script)
        page.goto(path.as_uri())
        return Logbook(page)

    def close(self) -> None:
        self.context.close()


@contextmanager
def phone(chromium: Any, kind: str = "small", **options: Any) -> Any:
    made = Phone(chromium, kind, **options)
    yield made
    made.close()


class Logbook:
    """A tab in which a logbook is open; every tap is a tap of a finger."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def choose(self, what: str, level: str, within: str = "#part-next") -> None:
        group = self.page.locator(within).get_by_role("group", name=what)
        group.get_by_role("radio", name=level, exact=True).tap(force=True)

    def type(self, what: str, text: str, within: str = "#part-next") -> None:
        self.page.locator(within).get_by_role("textbox", name=what).fill(text)

    def tap(self, name: str) -> None:
        self.page.get_by_role("button", name=name, exact=True).tap()

    def go_out(self) -> None:
        """Close the run that comes next."""
        self.page.locator("#close").tap()

    def wait(self, minutes: float) -> None:
        self.page.clock.fast_forward(round(minutes * 60_000))

    def feel(self, what: str, score: str) -> None:
        self.choose(what, score, "[id^=part-last]")

    def text(self) -> str:
        """What would be handed on."""
        return str(self.page.locator("#whole").input_value())

    def rows(self) -> list[list[str]]:
        return [line.split(",") for line in self.text().splitlines()[1:]]

    def save(self, path: Path) -> Path:
        """Save the file; where it came to lie, under the name that the page gave it."""
        with self.page.expect_download() as waiting:
            self.tap("Save the file")
        target = path / waiting.value.suggested_filename
        waiting.value.save_as(target)
        return target
