"""A driver's page of a made-up season, as the command makes it."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.cli.pages import driver_html
from pipeline.report.privacy import others_of
from pipeline.tables.records import SeasonResult
from tests.report import made_up


def shared(result: SeasonResult, driver: str, yes: Iterable[str]) -> str:
    """The page of `driver`, of whose team these said yes."""
    hidden = others_of(driver, result.runs, yes, {}, [])
    return driver_html(result, made_up.context(), driver, hidden)
