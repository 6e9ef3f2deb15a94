"""Source -> mutants: the same module with one thing made wrong.

What is made wrong: comparisons (turned round, and off by one), ``and`` and ``or``, arithmetic, conditions
(always, never), numbers, truth values, single words of text, members of enums, slices, default and keyword
arguments, ``min`` and ``max`` and the like; and statements left out. Prose, docstrings and annotations stay.
"""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

__all__ = ["Mutant", "Mutated", "mutants_of"]

_Place = tuple[ast.AST, str, int | None]
"""A node, the name of its field, and the index in it where it is a list."""

_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_WORKED_OUT: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd,
}
_CALLED = {
    "min": "max",
    "max": "min",
    "any": "all",
    "all": "any",
    "floor": "ceil",
    "ceil": "floor",
    "zeros": "ones",
    "ones": "zeros",
    "minimum": "maximum",
    "maximum": "minimum",
    "upper": "lower",
    "lower": "upper",
}
_WORD = re.compile(r"[^\s.,;:]*", re.ASCII)


@dataclass(frozen=True, slots=True)
class Mutant:
    """One thing made wrong."""

    where: str
    """The function or class that it is in, dotted; empty for the module."""
    lines: range
    """Those of the statement that it is in; of one that holds others its head."""
    change: str
    """What stood there, and what stands there now."""
    nth: int
    """Which one of equal changes in the same function, counted from 1."""
    place: _Place
    put: ast.AST | None
    """What stands there now; None for nothing at all."""

    @property
    def key(self) -> tuple[str, str, int]:
        """What it is known by, wherever in the file it stands."""
        return self.where, self.change, self.nth


class Mutated:
    """The tree of a module while one of its mutants stands in it."""

    def __init__(self, tree: ast.Module, mutant: Mutant) -> None:
        self._tree, self._mutant = tree, mutant

    def __enter__(self) -> ast.Module:
        """Make it wrong."""
        parent, name, index = self._mutant.place
        held = getattr(parent, name)
        self._before = held if index is None else list(held)
        if index is None:
            setattr(parent, name, self._mutant.put)
        elif self._mutant.put is None:
            del held[index]
        else:
            held[index] = self._mutant.put
        return ast.fix_missing_locations(self._tree)

    def __exit__(self, *_: object) -> None:
        """Put it right again."""
        parent, name, index = self._mutant.place
        if index is None:
            setattr(parent, name, self._before)
        else:
            getattr(parent, name)[:] = self._before


def mutants_of(tree: ast.Module) -> list[Mutant]:
    """All mutants of a module, in the order of their lines; each holds on to the tree that it was given."""
    seen: Counter[tuple[str, str]] = Counter()
    found = []
    for where, lines, place, put in _Walk().walk(tree, "", range(0)):
        parent, name, index = place
        held = getattr(parent, name)
        old = _text(held if index is None else held[index])
        change = f"{old} -> {_text(put) if put is not None else 'nothing'}"
        seen[where, change] += 1
        found.append(Mutant(where, lines, change, seen[where, change], place, put))
    return sorted(found, key=lambda mutant: mutant.lines.start)


_Change = tuple[str, range, _Place, ast.AST | None]


class _Walk:
    """Goes through a tree and yields what can be changed in it."""

    def walk(self, node: ast.AST, where: str, lines: range) -> Iterator[_Change]:
        for name, held in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "bases", "type_comment"):
                continue
            if isinstance(held, ast.AST):
                yield from self._at((node, name, None), held, where, lines)
            elif isinstance(held, list):
                for index, child in enumerate(held):
                    if isinstance(child, ast.AST):
                        yield from self._at((node, name, index), child, where, lines)

    def _at(self, place: _Place, node: ast.AST, where: str, lines: range) -> Iterator[_Change]:
        if _says_nothing(node):
            return
        if isinstance(node, ast.stmt):
            lines = _head(node)
        for put in _replacements(node, place):
            yield where, lines, place, put
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            where = f"{where}.{node.name}" if where else node.name
        yield from self.walk(node, where, lines)


def _head(node: ast.stmt) -> range:
    """The lines of a statement before the first that it holds."""
    inner = getattr(node, "body", None) or getattr(node, "cases", None)
    first = inner[0] if inner else None
    if isinstance(first, ast.match_case):
        first = first.pattern
    last = max(node.lineno, first.lineno - 1) if first is not None else node.end_lineno or node.lineno
    return range(node.lineno, last + 1)


def _says_nothing(node: ast.AST) -> bool:
    """What no behaviour hangs on: imports, docstrings, lists of names, types, what mypy holds unreachable."""
    match node:
        case ast.Import() | ast.ImportFrom() | ast.Expr(value=ast.Constant()):
            return True
        case ast.Expr(value=ast.Call(func=ast.Name(id="assert_never"))):
            return True
        case ast.Subscript(value=ast.Name(id="Literal")):
            return True
        case ast.Assign(targets=[ast.Name(id=name)]):
            return name.startswith("__")
        case _:
            return False


def _replacements(node: ast.AST, place: _Place) -> Iterator[ast.AST | None]:
    if isinstance(node, ast.stmt):
        yield from _statements(node)
    if isinstance(node, ast.expr):
        yield from _expressions(node, place)
    parent, name, _ = place
    if isinstance(node, ast.cmpop):
        for other in _COMPARED[type(node)]:
            yield other()
    elif isinstance(node, ast.operator):
        yield _WORKED_OUT[type(node)]()
    elif (isinstance(node, ast.keyword) and node.arg) or (
        isinstance(node, ast.match_case) and len(getattr(parent, name)) > 1
    ):
        yield None


def _statements(node: ast.stmt) -> Iterator[ast.stmt]:
    """Left out, or turned round."""
    match node:
        case ast.Expr() | ast.AugAssign() | ast.Raise() | ast.Delete():
            yield ast.Pass()
        case ast.Assign(targets=[ast.Attribute() | ast.Subscript() | ast.Tuple()]):
            yield ast.Pass()
        case ast.Continue():
            yield ast.Break()
        case ast.Break():
            yield ast.Continue()
        case ast.Return(value=value) if value is not None and not _is_nothing(value):
            yield ast.Return(ast.Constant(None))
        case _:
            return


def _expressions(node: ast.expr, place: _Place) -> Iterator[ast.expr]:
    parent, name, _ = place
    condition = name == "test" and isinstance(parent, ast.If | ast.While | ast.IfExp)
    if condition or (name == "ifs" and isinstance(parent, ast.comprehension)):
        if not isinstance(parent, ast.While):
            yield ast.Constant(True)
        yield ast.Constant(False)
    match node:
        case ast.BoolOp(op=op, values=values):
            yield ast.BoolOp(ast.And() if isinstance(op, ast.Or) else ast.Or(), values)
            for left_out in range(len(values)):
                rest = values[:left_out] + values[left_out + 1 :]
                yield rest[0] if len(rest) == 1 else ast.BoolOp(op, rest)
        case ast.UnaryOp(operand=operand):
            yield operand
        case ast.Constant(value=value):
            yield from (ast.Constant(other) for other in _constants(value, place))
        case ast.Attribute(value=ast.Name(id=owner), attr=attr) if owner[0].isupper() and attr.isupper():
            yield ast.Constant(None)
        case ast.Slice(lower=lower, upper=upper, step=step):
            if lower is not None:
                yield ast.Slice(None, upper, step)
            if upper is not None:
                yield ast.Slice(lower, None, step)
        case ast.Call(func=ast.Name(id=called), args=args, keywords=keywords) if called in _CALLED:
            yield ast.Call(ast.Name(_CALLED[called], ast.Load()), args, keywords)
        case ast.Call(func=ast.Attribute(value=value, attr=called), args=args, keywords=keywords):
            if called in _CALLED:
                yield ast.Call(ast.Attribute(value, _CALLED[called], ast.Load()), args, keywords)
        case _:
            return


def _constants(value: object, place: _Place) -> Iterator[Any]:
    parent, _, _ = place
    if isinstance(value, bool):
        yield not value
    elif isinstance(value, int):
        yield value + 1
        yield value - 1
    elif isinstance(value, float):
        yield value * 2 if value else 1.0
        if value:
            yield value / 2
    elif isinstance(value, bytes):
        yield value + b"X"
    elif isinstance(value, str) and not isinstance(parent, ast.JoinedStr) and _WORD.fullmatch(value):
        yield value + "X"


def _is_nothing(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value in (None, False)


def _text(node: ast.AST) -> str:
    """A node as source, on one line; of an operator its sign."""
    if isinstance(node, ast.cmpop | ast.operator):
        left, right = ast.Name("a"), ast.Name("b")
        whole: ast.expr = (
            ast.Compare(left, [node], [right])
            if isinstance(node, ast.cmpop)
            else ast.BinOp(left, node, right)
        )
        return ast.unparse(whole)[2:-2]
    if isinstance(node, ast.match_case):
        return f"case {ast.unparse(node.pattern)}"
    return re.sub(r"\s*\n\s*", "; ", ast.unparse(node))
