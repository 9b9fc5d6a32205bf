"""One look for every figure: sizes, shapes, and colours that the page's style sheet decides.

Figures are drawn for the width of a phone and set side by side on a wide screen. Colours are
stand-ins: `svg.py` turns each into a class of the page, so that dark mode and paper work.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from plotnine import theme

WIDTH = 3.4  # inches: 326 px of the page at its natural size
TEXT = 8.5  # points
STROKE = 0.6
INK, MUTED, RULE = "#101112", "#606162", "#c0c1c2"
GOOD, BAD, BAND, PAPER = "#1a5276", "#b9520f", "#e6e7e8", "#fefdfc"
# stand-in -> class of the page
CLASSES = {
    INK: "ink",
    MUTED: "muted",
    RULE: "rule",
    GOOD: "good",
    BAD: "bad",
    BAND: "band",
    PAPER: "paper",
}
# What the data say -> (shape, line and edge, filling, the mark in words). Shape and lightness
# tell them apart; hue only helps.
SHOWN = {
    "better": ("o", GOOD, GOOD, "●"),
    "worse": ("s", BAD, BAD, "■"),
    "level": ("d", MUTED, MUTED, "◆"),
    "open": ("o", MUTED, PAPER, "○"),
}
# Drivers by shape, with the same mark for the legend.
DRIVERS = (("o", "○"), ("s", "□"), ("^", "△"), ("D", "◇"), ("v", "▽"), ("<", "◁"), (">", "▷"),
           ("*", "☆"), ("P", "✚"), ("X", "✖"))  # fmt: skip


def figure_look(height: float, **more: Any) -> theme:
    """The look of a figure `height` inches high: nothing but the data, thin rules and text."""
    import plotnine as p9

    text = p9.element_text(size=TEXT, color=MUTED)
    look = p9.theme_void()
    look += p9.theme(
        figure_size=(WIDTH, height),
        text=text,
        axis_title=p9.element_blank(),
        axis_text_y=p9.element_blank(),
        axis_text_x=p9.element_text(size=TEXT, color=MUTED, margin={"t": 3}),
        axis_line_x=p9.element_line(color=RULE, size=STROKE),
        legend_position="none",
        plot_background=p9.element_blank(),
        panel_background=p9.element_blank(),
        svg_usefonts=True,
    )
    if more:
        look += p9.theme(**more)
    return look
