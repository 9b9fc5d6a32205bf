"""What one level saves against another, drawn over the axis of grip; and the taper below it.

The taper needs no colour: hatched where the usual level is the faster, solid where the other is,
the thicker the surer. Where its tips meet the two are equal.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from pipeline.report import drawn
from pipeline.report.grip_line import GripLine
from pipeline.report.words import number
from pipeline.tables.cells import Row
from pipeline.tables.cells import number as cell
from pipeline.tables.conditions import POSITIONS

LEFT, RIGHT, CENTRE, STEP = 22.4, 305.6, 164.0, 118.0
ZERO, REACH = 38.0, 36.0  # where nothing is saved, and how far the scale reaches from there
TAPER_TOP, TAPER_HALF = 88.0, 8.5
SCALES = (0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 40.0, 80.0)  # s over a race, up and down


@dataclass(frozen=True)
class Ruler:
    """The scale that all pictures of a page share, and what is not worth a change on it.

    reach: seconds over a race from the middle to the edge. no_matter_s: a smaller difference does
    not matter, s over a race.
    """

    reach: float
    worth_changing_s: float
    no_matter_s: float

    def y(self, saved: float) -> float:
        return ZERO - REACH * saved / self.reach

    @property
    def tick(self) -> float:
        """A round number of seconds at about two thirds of the scale."""
        return {0.5: 0.3, 1.0: 0.5, 2.0: 1.0, 3.0: 2.0, 5.0: 3.0, 8.0: 5.0}.get(
            self.reach, self.reach * 0.5
        )


def ruler(largest: float, worth_changing_s: float, no_matter_s: float) -> Ruler:
    """The least scale that holds the largest saving or loss."""
    reach = next((scale for scale in SCALES if scale >= largest), SCALES[-1])
    return Ruler(reach, worth_changing_s, no_matter_s)


def x_of(at: float) -> float:
    """Across: low grip to the left."""
    return min(max(CENTRE + STEP * at, LEFT), RIGHT)


@dataclass(frozen=True)
class Contrast:
    """A picture's words: the two levels; below it the level preferred at each grip."""

    key: str
    label: str
    level: str
    reference: str
    chosen: Mapping[str, str]
    where: str


def grip_picture(
    line: GripLine,
    contrast: Contrast,
    rule: Ruler,
    switch: Row | None,
    states: Mapping[str, str],
    rings: Sequence[tuple[str, str, float, str]] = (),
) -> str:
    """The picture. states: grip -> its class. rings: (classes, grip, seconds saved, name) of
    drivers who differ.
    """
    versus = f"{contrast.level} against {contrast.reference}"
    title = f"{contrast.label}: {versus}, by grip"
    about = f"{versus}, seconds saved over a race: {_spoken(line)}. {contrast.where}".strip()
    inside = [
        *_frame(rule),
        f'<g clip-path="url(#cp)">{_band(line, rule)}{_zero(rule)}{_line(line, rule)}</g>',
        *(_state(line, rule, grip, look) for grip, look in states.items()),
        drawn.words(LEFT, 11, f"▲ {drawn.cut(contrast.level, 18)} faster"),
        drawn.words(RIGHT, 73, f"▼ {drawn.cut(contrast.reference, 18)} faster", "e"),
        _switch(switch, line),
        *(_ring(rule, *ring) for ring in rings),
        f'<use href="#w-{contrast.key}" x="22" y="79" width="284" height="18"/>',
        *_boxes(line, rule),
        *_names(contrast.chosen, states),
    ]
    return drawn.picture(contrast.key, title, about, 130 if _two_lines(contrast) else 116, inside)


def _spoken(line: GripLine) -> str:
    words = {at: word for word, at in POSITIONS.items()}
    return "; ".join(
        f"{words[p.at]} grip {seconds(p.saved)} ({seconds(p.saved - p.half, unit='')} to "
        f"{seconds(p.saved + p.half, unit='')})"
        for p in line.points
    )


def seconds(value: float, *, unit: str = "s") -> str:
    """A saving as it stands in pictures and folds: '+0.7 s'."""
    return number(value, 1, signed=True, unit=unit).text


def _frame(rule: Ruler) -> Iterator[str]:
    for side in (1, -1):
        y = rule.y(side * rule.tick)
        yield drawn.path(f"M{LEFT} {drawn.number_of(y)}H{RIGHT}", "gr")
        yield drawn.words(drawn.WIDTH, y + 4, f"{rule.tick:g} s", "mu e")
    yield drawn.words(drawn.WIDTH, ZERO + 4, "0", "mu e")


def _zero(rule: Ruler) -> str:
    """As thick as what is not worth a change."""
    half = max(REACH * rule.worth_changing_s / rule.reach, 0.5)
    return drawn.rect(LEFT, ZERO - half, RIGHT - LEFT, 2 * half, "ze")


def _band(line: GripLine, rule: Ruler) -> str:
    places = line.places(11)
    upper = [(x_of(at), rule.y(line.saved(at) + line.half(at))) for at in places]
    lower = [(x_of(at), rule.y(line.saved(at) - line.half(at))) for at in reversed(places)]
    return drawn.polygon([*upper, *lower], "bd")


def _line(line: GripLine, rule: Ruler) -> str:
    inner = [p.at for p in line.points[1:-1]]
    places = [line.ends[0], *inner, line.ends[1]]
    return drawn.polyline([(x_of(at), rule.y(line.saved(at))) for at in places], "ln")


def _inside(y: float) -> float:
    return min(max(y, 3.0), 74.0)


def _state(line: GripLine, rule: Ruler, grip: str, look: str) -> str:
    at = POSITIONS[grip]
    if not line.ends[0] <= at <= line.ends[1]:
        return ""
    x, y = x_of(at), _inside(rule.y(line.saved(at)))
    return f'<g class="og {look}">{drawn.upright(x, 2, 97)}{drawn.dot(x, y)}</g>'


def _ring(rule: Ruler, look: str, grip: str, saved: float, name: str) -> str:
    x, y = x_of(POSITIONS[grip]), _inside(rule.y(saved))
    at_right = x < CENTRE
    label = drawn.words(x + (9 if at_right else -9), y + 4, name, "" if at_right else "e")
    return f'<g class="{look}">{drawn.dot(x, y, "own")}{label}</g>'


def _switch(switch: Row | None, line: GripLine) -> str:
    """The switch-over as a diamond, its interval as a bar; nothing where there is no crossing."""
    at = None if switch is None else cell(switch, "at")
    if switch is None or at is None or not line.ends[0] <= at <= line.ends[1]:
        return ""
    low, high = cell(switch, "low"), cell(switch, "high")
    left, right = (
        x_of(line.ends[0] if low is None else low),
        x_of(line.ends[1] if high is None else high),
    )
    bar = drawn.whisker(left, right, ZERO, open_left=low is None, open_right=high is None)
    return bar + drawn.diamond(x_of(at), ZERO, "di")


def taper(line: GripLine, rule: Ruler, key: str) -> str:
    """Two wedges as a symbol that a page may show in several places; none where either will do."""
    stretches = line.level_stretches(rule.worth_changing_s, rule.no_matter_s)
    edges = [edge for stretch in stretches for edge in stretch]
    places = sorted({*line.places(13), *line.crossings(), *edges})
    wedges = []
    for side, look in ((-1, "old"), (1, "new")):
        for run in _runs(places, line, side, stretches):
            heights = [TAPER_HALF * abs(2 * line.chance(at) - 1) for at in run]
            upper = [(x_of(at), -h) for at, h in zip(run, heights, strict=True)]
            lower = [(x, -y) for x, y in reversed(upper)]
            wedges.append(drawn.polygon([*upper, *lower], look))
    return (
        f'<symbol id="w-{key}" viewBox="22 -9 284 18" preserveAspectRatio="none">'
        f"{''.join(wedges)}</symbol>"
    )


def _runs(
    places: Sequence[float],
    line: GripLine,
    side: int,
    stretches: Sequence[tuple[float, float]],
) -> list[list[float]]:
    """Neighbouring positions on one side of equal and outside of every stretch where either will
    do."""
    runs: list[list[float]] = []
    before = None
    for low, high in pairwise(places):
        middle = (low + high) / 2
        level = any(a <= middle <= b for a, b in stretches)
        if level or line.saved(middle) * side <= 0:
            before = None
            continue
        if before == low:
            runs[-1].append(high)
        else:
            runs.append([low, high])
        before = high
    return runs


def _boxes(line: GripLine, rule: Ruler) -> Iterator[str]:
    for low, high in line.level_stretches(rule.worth_changing_s, rule.no_matter_s):
        left, right = x_of(low), x_of(high)
        yield drawn.rect(left, TAPER_TOP - 8.5, right - left, 17, "ei")
        if right - left > 150:
            middle = (left + right) / 2
            yield drawn.words(middle, TAPER_TOP + 4, "either: keep what is on", middle=True)


def _two_lines(contrast: Contrast) -> bool:
    """Whether a grip and its level are too long for a third of the picture's width."""
    return any(len(f"{grip} {level}") > 17 for grip, level in contrast.chosen.items())


def _names(chosen: Mapping[str, str], states: Mapping[str, str]) -> Iterator[str]:
    two = any(len(f"{grip} {level}") > 17 for grip, level in chosen.items())
    for grip, level in chosen.items():
        x, look = x_of(POSITIONS[grip]), f"a{states.get(grip, '')}"
        if two:
            yield drawn.words(x, 110, grip, f"mu {look}", middle=True)
            yield drawn.words(x, 125, drawn.cut(level, 17), look, middle=True)
        else:
            yield drawn.words(x, 112, f"{grip} {level}", look, middle=True)


def interval_picture(saved: float, half: float, contrast: Contrast, rule: Ruler) -> str:
    """Where only one grip was run, or none has a name: the saving and its interval alone."""

    def across(value: float) -> float:
        return min(max(CENTRE + STEP * 1.15 * value / rule.reach, LEFT), RIGHT)

    low, high = saved - half, saved + half
    about = f"{contrast.level} against {contrast.reference}, seconds saved over a race: "
    about += f"{seconds(saved)} ({seconds(low, unit='')} to {seconds(high, unit='')})."
    width = across(rule.worth_changing_s) - across(-rule.worth_changing_s)
    ticks = (-rule.tick, 0.0, rule.tick)
    inside = [
        drawn.rect(across(-rule.worth_changing_s), 20, width, 34, "ze"),
        *(drawn.words(across(t), 68, seconds(t) if t else "0", "mu", middle=True) for t in ticks),
        drawn.whisker(across(low), across(high), 37,
                      open_left=low < -rule.reach, open_right=high > rule.reach),
        drawn.dot(across(saved), 37),
        drawn.words(LEFT, 12, f"◀ {drawn.cut(contrast.reference, 18)} faster"),
        drawn.words(RIGHT, 12, f"{drawn.cut(contrast.level, 18)} faster ▶", "e"),
    ]  # fmt: skip
    title = f"{contrast.label}: {contrast.level} against {contrast.reference}"
    return drawn.picture(contrast.key, title, about, 74, inside)
