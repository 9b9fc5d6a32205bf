"""The keys of team.toml's tables, with their types and limits."""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, FiniteFloat, create_model

from pipeline.tables.conditions import CONDITIONS
from pipeline.tables.outcomes import OUTCOMES
from pipeline.team.dates import read_day
from pipeline.team.factors import number_text

_NAME = r"^[A-Za-z_][A-Za-z0-9_]{0,59}$"


def _number_as_text(value: Any) -> Any:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return number_text(value) if is_number else value


Text = Annotated[str, BeforeValidator(_number_as_text), Field(min_length=1)]


def _iso_day(value: Any) -> str:
    """TOML has dates of its own; people write them as text too."""
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value.isoformat()
    day = read_day(value) if isinstance(value, str) else None
    if day is None:
        raise ValueError("a date as 2026-03-28")
    return day


Day = Annotated[str, BeforeValidator(_iso_day)]


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)


class TeamKeys(Strict):
    name: Text
    race_seconds: float = Field(300.0, gt=0, le=36_000)
    worthwhile_s: float = Field(0.03, gt=0, le=60)
    worth_changing_s: float = Field(0.1, ge=0, le=3_600)
    racing_class: Text | None = Field(None, alias="class")


class FactorKeys(Strict):
    name: str = Field(pattern=_NAME)
    label: str = ""
    kind: Literal["category", "ordered", "number"]
    levels: list[Text] = []
    reference: Text | None = None
    unit: str = ""
    step: float | None = Field(None, gt=0, allow_inf_nan=False)
    property: str = ""
    positions: dict[str, FiniteFloat] = {}
    per_step: float | None = Field(None, allow_inf_nan=False)
    renewed: Day = ""


class SeasonKeys(Strict):
    name: Text
    from_: Day = Field("", alias="from")
    until: Day = ""
    meetings: int | None = Field(None, ge=1, le=100)


class PropertyKeys(Strict):
    name: str = Field(pattern=_NAME)
    label: str = ""


class ConditionKeys(Strict):
    name: str = Field(pattern=_NAME)
    label: str = ""
    unit: str = ""
    step: float | None = Field(None, gt=0, allow_inf_nan=False)


class FeelKeys(Strict):
    name: str = Field(pattern=_NAME)
    label: str = ""
    worse: Text
    better: Text


class _ClaimKeys(Strict):
    text: Text
    factor: Text | None = None
    property: Text | None = None
    from_: Text = Field(alias="from")
    to: Text
    expect: Literal["lower", "higher", "same"]


def claim_keys() -> type[_ClaimKeys]:
    """With `outcome`, and a key a condition."""
    more: dict[str, Any] = {"outcome": Literal[tuple(OUTCOMES)]}
    for condition in CONDITIONS.values():
        word: Any = Literal[condition.values] if condition.values else Text
        more[condition.name] = (word | None, None)
    return create_model("_ClaimKeys", __base__=_ClaimKeys, **more)
