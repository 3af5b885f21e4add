"""Make mutants of a module: one operator or number changed at a time.

A mutant is known by its function, the expression before and after, and its place among those of
the function that read alike, so that it is found again when lines or files move.
"""

from __future__ import annotations

import ast
import copy
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

_COMPARE = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_ARITHMETIC = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
_BOOLEAN = {ast.And: ast.Or, ast.Or: ast.And}
_UNARY = (ast.Not, ast.Invert, ast.USub)
_SKIPPED_CALLS = ("setting", "field")


@dataclass(frozen=True)
class Mutant:
    """One change to one module.

    Attributes
    ----------
    function : str
        Qualified name of the function; empty at the top of the module.
    line : int
    before, after : str
        The expression, unparsed.
    nth : int
        Place among those of the function that read alike, from 1.
    place : int
        Of the node in the tree.
    changed : ast.AST
        What stands there instead.
    """

    function: str
    line: int
    before: str
    after: str
    nth: int
    place: int
    changed: ast.AST

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What the mutant is known by, its module apart."""
        return self.function, self.before, self.after, str(self.nth)

    def write(self, source: str) -> str:
        """Write the module with the change, from its text without it."""
        tree = ast.parse(source)
        _mark(tree)
        return ast.unparse(_Swap(self.place, self.changed).visit(tree))


def make_mutants(source: str) -> list[Mutant]:
    """Make all mutants of a module, in the order of its lines.

    Parameters
    ----------
    source : str
        Text of the module.

    Returns
    -------
    list of Mutant
        Nothing is changed in docstrings, annotations, declared settings and texts.
    """
    tree = ast.parse(source)
    _mark(tree)
    found: list[Mutant] = []
    alike: Counter[tuple[str, str, str]] = Counter()
    for node, function in list(_walk(tree, "")):
        for changed in _change(node):
            before, after = ast.unparse(node), ast.unparse(changed)
            alike[function, before, after] += 1
            nth = alike[function, before, after]
            line, place = node.lineno, node.place  # type: ignore[attr-defined]
            found.append(Mutant(function, line, before, after, nth, place, changed))
    return found


def _mark(tree: ast.Module) -> None:
    """Number the nodes, so that a copy of one is found in a copy of the tree."""
    for place, node in enumerate(ast.walk(tree)):
        node.place = place  # type: ignore[attr-defined]


class _Swap(ast.NodeTransformer):
    """Put another node in one place."""

    def __init__(self, place: int, changed: ast.AST) -> None:
        self.place, self.changed = place, changed

    def visit(self, node: ast.AST) -> ast.AST:
        """Swap the node, or look below it."""
        if getattr(node, "place", None) == self.place:
            return self.changed
        return super().visit(node)  # type: ignore[no-any-return]


def _walk(node: ast.AST, function: str) -> Iterator[tuple[ast.AST, str]]:
    """Yield each expression that may change, with the name of its function."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.ClassDef):
            inside = f"{function}.{child.name}".lstrip(".")
            # As children of one node, so that annotations and declarations are left out below, too.
            parts = [*child.body, *map(ast.Expr, _defaults(child))]
            yield from _walk(ast.Module(parts, type_ignores=[]), inside)
        elif isinstance(child, ast.AnnAssign):
            if child.value is not None and not _is_skipped(child.value):
                yield from ((child.value, function), *_walk(child.value, function))
        elif not _is_skipped(child):
            yield from ((child, function), *_walk(child, function))


def _defaults(node: ast.FunctionDef | ast.ClassDef) -> list[ast.expr]:
    """Give the defaults of a function's arguments."""
    if isinstance(node, ast.ClassDef):
        return []
    return [*node.args.defaults, *(value for value in node.args.kw_defaults if value is not None)]


def _is_skipped(node: ast.AST) -> bool:
    """Tell declarations of settings, imports and annotations apart."""
    if isinstance(node, ast.Import | ast.ImportFrom | ast.arguments):
        return True
    name = node.func.id if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) else ""
    return name in _SKIPPED_CALLS


def _change(node: ast.AST) -> Iterator[ast.AST]:
    """Yield the changed forms of an expression."""
    if isinstance(node, ast.Compare):
        for rank, operator in enumerate(node.ops):
            if type(operator) in _COMPARE:
                operators = list(node.ops)
                operators[rank] = _COMPARE[type(operator)]()
                yield ast.Compare(node.left, operators, node.comparators)
    elif isinstance(node, ast.BinOp | ast.AugAssign):
        if type(node.op) in _ARITHMETIC:
            changed = copy.copy(node)
            changed.op = _ARITHMETIC[type(node.op)]()
            yield changed
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(_BOOLEAN[type(node.op)](), node.values)
    elif isinstance(node, ast.UnaryOp):
        if isinstance(node.op, _UNARY):
            yield node.operand
    elif isinstance(node, ast.Constant):
        yield from _change_constant(node.value)


def _change_constant(value: object) -> Iterator[ast.Constant]:
    """Yield another number, or the other truth value; texts stay."""
    if isinstance(value, bool):
        yield ast.Constant(not value)
    elif isinstance(value, int):
        yield ast.Constant(value + 1)
    elif isinstance(value, float):
        yield ast.Constant(value * 1.1 if value else 1.0)
