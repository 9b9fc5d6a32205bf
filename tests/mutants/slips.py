"""The slips that a hand can make in a rule, one at a time, on a module's syntax tree."""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
NAMES = {
    "min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "any": "all",
    "all": "any",
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """A module with one slip. place: the function (or module) that has it; before, after: the
    piece of source; number: which of those alike in the place, from 1."""

    module: str
    place: str
    before: str
    after: str
    number: int
    source: str

    @property
    def key(self) -> tuple[str, ...]:
        return self.module, self.place, self.before, self.after, str(self.number)


def mutants(module: str, source: str) -> Iterator[Mutant]:
    """All slips of a module, in the order of its lines."""
    tree = ast.parse(source)
    nodes = list(_walked(tree, "module"))
    seen: dict[tuple[str, str, str], int] = {}
    for index, (place, node) in enumerate(nodes):
        for slip in _slips(node):
            changed = copy.deepcopy(tree)
            target = list(_walked(changed, "module"))[index][1]
            before = ast.unparse(target)
            slip(target)
            key = place, before, ast.unparse(target)
            seen[key] = seen.get(key, 0) + 1
            yield Mutant(module, *key, seen[key], ast.unparse(changed))


def _walked(node: ast.AST, place: str) -> Iterator[tuple[str, ast.AST]]:
    """Nodes that a slip can hit, with where they stand: no annotations, decorators, texts."""
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list", "type_comment"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or _is_typing(child):
                continue
            named = isinstance(child, ast.FunctionDef | ast.ClassDef)
            inside = child.name if named else place  # type: ignore[attr-defined]
            if named and place != "module":
                inside = f"{place}.{inside}"
            yield inside, child
            yield from _walked(child, inside)


def _is_typing(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)


def _slips(node: ast.AST) -> Iterator[object]:
    if isinstance(node, ast.Compare):
        for place, found in enumerate(node.ops):
            other = COMPARISONS[type(found)]
            yield lambda n, place=place, other=other: n.ops.__setitem__(place, other())
    elif isinstance(node, ast.BoolOp):
        other = ast.Or if isinstance(node.op, ast.And) else ast.And
        yield lambda n, other=other: setattr(n, "op", other())
    elif isinstance(node, ast.BinOp) and type(node.op) in OPERATORS and not _of_texts(node):
        yield lambda n: setattr(n, "op", OPERATORS[type(n.op)]())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.Invert):
        yield lambda n: setattr(n, "operand", ast.UnaryOp(copy.copy(n.op), n.operand))
    elif isinstance(node, ast.Name) and node.id in NAMES:
        yield lambda n: setattr(n, "id", NAMES[n.id])
    elif isinstance(node, ast.Attribute) and node.attr in NAMES:
        yield lambda n: setattr(n, "attr", NAMES[n.attr])
    elif isinstance(node, ast.Constant):
        yield from _of_constant(node)


def _of_constant(node: ast.Constant) -> Iterator[object]:
    if isinstance(node.value, bool):
        yield lambda n: setattr(n, "value", not n.value)
    elif isinstance(node.value, int):
        yield lambda n: setattr(n, "value", n.value + 1)
    elif isinstance(node.value, float):
        yield lambda n: setattr(n, "value", n.value * 1.1 or 1.0)


def _of_texts(node: ast.BinOp) -> bool:
    """Texts are put together, not reckoned with."""
    sides = (node.left, node.right)
    return any(isinstance(s, ast.JoinedStr) or _is_text(s) for s in sides)


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)
