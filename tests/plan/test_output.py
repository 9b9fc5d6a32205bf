from dataclasses import replace

import numpy as np
import pytest

from pipeline.plan.output import as_json, as_text, change_rows, contrast_words, sheet_rows
from pipeline.plan.planner import chance_of, plan_day
from pipeline.plan.request import DayRequest, PlanFactor
from tests.plan.days import day

FACTORS = (
    PlanFactor("rear_bar", ("1.3", "1.4"), "Rear anti-roll bar", "mm"),
    PlanFactor("oil", ("thin", "thick")),
)


@pytest.fixture(scope="module")
def plan():
    request = DayRequest(FACTORS, ("Ann Arbor", "Bo Burg"), 6, meeting="march-test")
    return plan_day(request, chance_of(1))


def test_json_has_the_fixed_names(plan):
    data = as_json(plan)
    assert list(data) == ["runs", "contrasts"]
    assert len(data["runs"]) == 12
    assert data["runs"][0] == {
        "driver": "Ann Arbor",
        "run": 1,
        "settings": {"rear_bar": "1.3", "oil": "thin"},
    }
    names = "factor level reference half_width_s half_width_usual_s half_width_random_s power"
    assert [list(contrast) for contrast in data["contrasts"]] == [names.split()] * 2
    assert (data["contrasts"][0]["level"], data["contrasts"][0]["reference"]) == ("1.4", "1.3")


def test_both_logs_say_what_the_plan_says(plan):
    """Each value holds until the driver's next row for that factor."""
    sheet = sheet_rows(plan)
    assert list(sheet.columns) == ["meeting", "driver", "run", "rear_bar", "oil"]
    changes = change_rows(plan)
    assert list(changes.columns) == ["meeting", "driver", "run", "factor", "value"]
    assert (changes.groupby(["driver", "run"]).size() <= 2).all()
    for row in sheet.itertuples():
        for factor in ("rear_bar", "oil"):
            log = changes[(changes["driver"] == row.driver) & (changes["factor"] == factor)]
            held = log.loc[log["run"] <= row.run, "value"].iloc[-1]
            assert held == getattr(row, factor)


def test_text_shows_order_and_promise(plan):
    text = as_text(plan)
    assert all(len(line) <= 96 for line in text.splitlines())
    text = " ".join(text.split())
    assert "Ann Arbor rear_bar 1.3" in text
    contrast = plan.contrasts[0]
    assert contrast_words(contrast) == "Rear anti-roll bar 1.4 mm against 1.3 mm"
    assert f"this day can show {contrast.half_width_s:.2f} s a lap" in text
    assert f"the usual order {contrast.half_width_usual_s:.2f} s" in text
    assert "warm-up" in text


def test_an_order_that_goes_to_and_fro_warns_of_packs_and_tyres():
    planned = plan_day(day(1, 8), chance_of(1))
    assert "to and fro" not in as_text(planned)
    alternating = replace(planned, levels=np.arange(8).reshape(1, 8, 1) % 2)
    text = " ".join(as_text(alternating).split())
    assert "A B A B A B" in text
    assert "battery packs" in text
    three = " ".join(as_text(plan_day(day(1, 8, 3), chance_of(1))).split())
    assert "A B C" in three and "to and fro" not in three


@pytest.mark.parametrize(("minutes", "said"), [(19.9, True), (8.0, True), (20.0, False)])
def test_short_pauses_are_the_makers_to_allow(minutes, said):
    planned = plan_day(replace(day(1, 8), minutes=minutes), chance_of(1))
    assert ("pauses that their makers give" in " ".join(as_text(planned).split())) == said


def test_nothing_is_promised_where_nothing_can_be_told():
    text = " ".join(as_text(plan_day(day(3, 4, 5), chance_of(1))).split())
    assert "the usual order nothing" in text
    assert "nan" not in text and "None" not in text
