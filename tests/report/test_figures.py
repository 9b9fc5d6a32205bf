"""Figures: text stays text, colours are the page's, wide intervals do not hide the others."""

from __future__ import annotations

import math
import re
from xml.etree import ElementTree as Tree

import pandas as pd
import pytest

from pipeline.report.axis import span
from pipeline.report.contrasts import contrasts
from pipeline.report.effect_views import outcome_figure, trade_figure
from pipeline.report.figures import lanes
from pipeline.report.grip_views import grip_figures
from pipeline.report.look import CLASSES, SHOWN
from pipeline.report.svg import inline_svg
from tests.report import made_up

SVG = "{http://www.w3.org/2000/svg}"


def drawn(label: str = "Rear bar 1.2 mm") -> str:
    data = pd.DataFrame(
        {
            "label": [label, "Wide one", "Level one"],
            "estimate": [-0.05, 0.4, 0.0],
            "low": [-0.08, -4.0, -0.01],
            "high": [-0.02, 5.0, 0.01],
            "shown": ["better", "open", "level"],
        }
    )
    within = span(list(data["low"]), list(data["high"]))
    plot = lanes(data, ("faster", "slower"), {-0.05: "−0.05", 0.0: "0"}, 0.03, within)
    return inline_svg(plot, "one", "A title & more", "What it <shows>")


def texts(svg: str) -> list[str]:
    return [e.text or "" for e in Tree.fromstring(svg).iter(f"{SVG}text")]


def test_text_stays_text_and_the_alternative_is_named() -> None:
    root = Tree.fromstring(drawn())
    assert {"Rear bar 1.2 mm", "← faster", "slower →", "−0.05", "0"} <= set(texts(drawn()))
    named = {e.get("id"): e.text for e in root}
    assert root.get("role") == "img"
    assert [named[i] for i in root.get("aria-labelledby", "").split()] == [
        "A title & more",
        "What it <shows>",
    ]


def test_colours_and_styles_are_the_pages() -> None:
    svg = drawn()
    assert 'style="' not in svg and "<style" not in svg and "font-family" not in svg
    painted = set(re.findall(r'(?:fill|stroke)="([^"]+)"', svg))
    assert painted <= {"none"}
    known = {f"{how}-{name}" for how in ("fill", "stroke") for name in CLASSES.values()}
    used = {c for found in re.findall(r'class="([^"]+)"', svg) for c in found.split()}
    assert used and used <= known


def test_the_same_table_draws_the_same_bytes_with_ids_of_its_own() -> None:
    first = drawn()
    assert first == drawn()
    assert all(name.startswith("one-") for name in re.findall(r'id="([^"]+)"', first))
    assert not re.search(r"\d{4}-\d{2}-\d{2}T", first)


def test_zero_has_no_sign_whatever_the_rounding() -> None:
    days = grip_figures(made_up.season().grip)
    for svg in (drawn(), *(day.svg for day in days)):
        assert not re.search(r"[ \"]-0(\.0)?[ \"]", svg)


@pytest.mark.parametrize("label", ["$\\frac{1}{", "a $b$ c", "<b>&amp;", "tab\tnul\x00end"])
def test_labels_are_taken_literally(label: str) -> None:
    expected = " ".join(label.replace("\x00", " ").split())
    assert expected in texts(drawn(label))


def test_a_wide_interval_does_not_set_the_axis() -> None:
    low, high = span([-0.08, -4.0, -0.01], [-0.02, 5.0, 0.01])
    assert (low, high) == (-0.08, 0.01)
    assert span([-1.0], [2.0]) == (-1.0, 2.0)


def test_what_the_data_say_is_told_by_shape_and_lightness() -> None:
    looks = [(shape, filling) for shape, _, filling, _ in SHOWN.values()]
    assert len(set(looks)) == len(looks)
    assert len({mark for *_, mark in SHOWN.values()}) == len(SHOWN)


def test_a_grip_figure_a_day_in_order() -> None:
    titles = [figure.title for figure in grip_figures(made_up.season().grip)]
    assert titles[0] == "carpet-opener, 18 January 2025" and len(titles) == 4
    assert grip_figures(made_up.season().grip.iloc[:0]) == ()


def test_figures_of_the_season_hold_the_effects() -> None:
    result, context = made_up.season(), made_up.context()
    members = contrasts(result)
    pace = outcome_figure(members, "pace", context, "pace")
    trade = trade_figure(members, context)
    assert pace is not None and trade is not None
    shown = [float(row[1].raw) for row in pace.table.rows]
    rows = result.effects.query("outcome == 'pace' and condition == 'all'").dropna(
        subset=["estimate"]
    )
    estimates = {(row.factor, row.level): row.estimate for row in rows.itertuples()}
    asked = [(member.factor, member.level) for member in members]
    own = [estimates[key] for key in asked if key in estimates]
    assert len(own) == len(estimates)
    assert all(math.isclose(a, b, rel_tol=1e-5) for a, b in zip(shown, own, strict=True))
    assert [mark for mark, _ in trade.legend] == ["1", "2", "3", "4", "5"]
