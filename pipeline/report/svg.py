"""A plot → SVG that lives inside the page: its text, its colours, no style of its own."""

from __future__ import annotations

import io
import re
import warnings
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as Tree

from pipeline.report.layers import LIGHT
from pipeline.report.look import CLASSES
from pipeline.report.plane import Figure
from pipeline.report.words import printable

if TYPE_CHECKING:
    from plotnine import ggplot

_SVG = "http://www.w3.org/2000/svg"
_HREF = "{http://www.w3.org/1999/xlink}href"
_LONG = re.compile(r"-?\d+\.\d{2,}")
_SIGNED_ZERO = re.compile(r"-(0(\.0)?)(?![\d.])")
_NO_TURN = re.compile(r"rotate\(-?0(\.0)?[ ,]")
_KEPT = {"stroke-width", "font-size", "text-anchor", "stroke-dasharray", "opacity", "fill-opacity"}
_SETTINGS: Any = {"svg.fonttype": "none", "svg.hashsalt": "backtoback", "figure.facecolor": "none"}


def inline_svg(plot: ggplot | Figure, key: str, title: str, description: str) -> str:
    """The plot as an `svg` element with text as text; the same bytes for the same plot.

    key: prefix of the ids, unique in the page. title, description: the text alternative. The plot
    is drawn without a copy and so can be drawn but once.
    """
    if isinstance(plot, Figure):
        return plot.svg(key, title, description)
    return _clean(_drawn(plot), key, title, description)


def _drawn(plot: ggplot) -> bytes:
    import matplotlib as mpl
    import pandas as pd

    target = io.BytesIO()
    settings = {**plot.theme.rcParams, **_SETTINGS}
    with mpl.rc_context(settings), pd.option_context(*LIGHT), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        plot.draw().savefig(target, format="svg", transparent=True)
    return target.getvalue()


def _clean(raw: bytes, key: str, title: str, description: str) -> str:
    root = Tree.fromstring(raw)
    _drop(root)
    names = _rename(root, key)
    for element in root.iter():
        _restyle(element)
        _point(element, names)
    view = root.get("viewBox", "0 0 1 1")
    root.attrib.clear()
    root.attrib.update(
        {"viewBox": view, "role": "img", "aria-labelledby": f"{key}-title {key}-desc"}
    )
    for tag, text in (("desc", description), ("title", title)):
        child = Tree.Element(f"{{{_SVG}}}{tag}", {"id": f"{key}-{tag}"})
        child.text = printable(text)
        root.insert(0, child)
    Tree.register_namespace("", _SVG)
    return Tree.tostring(root, encoding="unicode")


def _drop(root: Tree.Element) -> None:
    """Metadata (it holds a date), the drawing's own style, and shapes that paint nothing."""
    for parent in list(root.iter()):
        for child in list(parent):
            name = child.tag.rpartition("}")[2]
            style = (child.get("style") or "").replace(" ", "")
            unseen = name == "path" and style in {"fill:none", "fill:none;opacity:0"}
            if name in {"metadata", "style"} or unseen:
                parent.remove(child)


def _rename(root: Tree.Element, key: str) -> dict[str, str]:
    """Ids that are referred to get the figure's prefix; the others go."""
    text = Tree.tostring(root, encoding="unicode")
    used = set(re.findall(r"url\(#([^)]+)\)", text)) | set(re.findall(r'href="#([^"]+)"', text))
    names: dict[str, str] = {}
    for element in root.iter():
        old = element.attrib.pop("id", "")
        if old in used:
            names[old] = f"{key}-{len(names)}"
            element.set("id", names[old])
    return names


def _point(element: Tree.Element, names: dict[str, str]) -> None:
    clip = element.get("clip-path")
    if clip:
        element.set("clip-path", f"url(#{names[clip[5:-1]]})")
    target = element.attrib.pop(_HREF, None)
    if target:
        element.set("href", f"#{names[target[1:]]}")
    for name in ("d", "x", "y", "width", "height", "transform", "stroke-width"):
        value = element.get(name)
        if value:
            short = _LONG.sub(lambda m: f"{float(m.group()):.1f}", value.replace("\n", " "))
            element.set(name, _SIGNED_ZERO.sub(r"\1", short).strip())
    if _NO_TURN.match(element.get("transform", "")):
        del element.attrib["transform"]


def _restyle(element: Tree.Element) -> None:
    """Inline styles, which the page's policy forbids, become attributes and classes."""
    style = element.attrib.pop("style", None)
    if style is None:
        return
    classes = []
    for part in style.split(";"):
        name, _, value = (piece.strip() for piece in part.partition(":"))
        if name in {"fill", "stroke"}:
            known = CLASSES.get(value.lower())
            if known:
                classes.append(f"{name}-{known}")
            else:
                element.set(name, value)
        elif name in _KEPT:
            element.set(name, value)
    if classes:
        element.set("class", " ".join(sorted(classes)))
