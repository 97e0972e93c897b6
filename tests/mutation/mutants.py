"""Mutants of a module: one small change each, spliced into the source as text.

A mutant is made from the syntax tree, so it always parses. Left alone are texts and
annotations, which change no verdict, and whatever a type checker would report at once
(a deleted assignment, a missing argument). What remains: comparisons, arithmetic,
bitwise and logical operators, conditions, whole numbers, decimals, truth values, calls
that are made for their effect, `raise`, and `min`/`max`, `any`/`all`.
"""

from __future__ import annotations

import ast
import copy
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
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
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.Pow: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitOr,
}
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change; `start` and `end` are byte offsets of the text it replaces.

    `scope` is the function, method or constant that it is in; `nth` counts from 1 those of
    one scope that change the same text into the same.
    """

    path: str
    line: int
    start: int
    end: int
    kind: str
    before: str
    after: str
    in_function: bool
    scope: str
    nth: int = 1

    @property
    def name(self) -> str:
        """The same for the same change of the same source."""
        return f"{self.path}:{self.line}:{self.start}:{self.kind}:{self.after}"


class _Finder(ast.NodeVisitor):
    """Walks a module and notes every change that may be made to it."""

    def __init__(self, path: str, source: str) -> None:
        self.path = path
        self.bytes = source.encode()
        self.at = [0]
        for line in self.bytes.splitlines(keepends=True):
            self.at.append(self.at[-1] + len(line))
        self.depth = 0
        self.scope: list[str] = []
        self.found: list[Mutant] = []

    def _note(self, old: ast.expr | ast.stmt, kind: str, after: str) -> None:
        assert old.end_lineno is not None
        assert old.end_col_offset is not None
        start = self.at[old.lineno - 1] + old.col_offset
        end = self.at[old.end_lineno - 1] + old.end_col_offset
        before = self.bytes[start:end].decode()
        self.found.append(
            Mutant(
                path=self.path,
                line=old.lineno,
                start=start,
                end=end,
                kind=kind,
                before=before,
                after=after,
                in_function=self.depth > 0,
                scope=".".join(self.scope),
            )
        )

    def _swap(self, old: ast.expr, new: ast.expr, kind: str) -> None:
        self._note(old, kind, f"({ast.unparse(ast.fix_missing_locations(new))})")

    # What is left alone

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Texts change no verdict."""

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        """The value, not the annotation."""
        if node.value is not None:
            self._within(node.target, node.value)

    def visit_Assign(self, node: ast.Assign) -> None:
        """All but a module's list of names."""
        target = node.targets[0]
        if not (isinstance(target, ast.Name) and target.id == "__all__"):
            self._within(target, *node.targets, node.value)

    def _within(self, target: ast.expr, *parts: ast.expr) -> None:
        """Parts of an assignment; those of a constant are in its scope."""
        named = not self.depth and isinstance(target, ast.Name)
        if named:
            self.scope.append(ast.unparse(target))
        for part in parts:
            self.visit(part)
        if named:
            self.scope.pop()

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        """The body, not decorators and bases."""
        self.scope.append(node.name)
        for statement in node.body:
            self.visit(statement)
        self.scope.pop()

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        """Defaults and body, not annotations and decorators."""
        for default in (*node.args.defaults, *node.args.kw_defaults):
            if default is not None:
                self.visit(default)
        self.depth += 1
        self.scope.append(node.name)
        for statement in node.body:
            self.visit(statement)
        self.scope.pop()
        self.depth -= 1

    # What is changed

    def visit_Compare(self, node: ast.Compare) -> None:
        """Each comparison of a chain becomes its neighbour and its opposite."""
        for n, operator in enumerate(node.ops):
            for other in COMPARISONS[type(operator)]:
                new = copy.deepcopy(node)
                new.ops[n] = other()
                self._swap(node, new, "comparison")
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        """Plus becomes minus, times becomes divided by, and so on."""
        other = ARITHMETIC.get(type(node.op))
        is_text = any(
            isinstance(side, ast.JoinedStr)
            or (isinstance(side, ast.Constant) and isinstance(side.value, str))
            for side in (node.left, node.right)
        )
        if other is not None and not is_text:
            new = copy.deepcopy(node)
            new.op = other()
            self._swap(node, new, "operator")
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        """And becomes or; each part is left out once."""
        new = copy.deepcopy(node)
        new.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        self._swap(node, new, "logic")
        for n in range(len(node.values)):
            rest = [v for m, v in enumerate(node.values) if m != n]
            less = ast.BoolOp(node.op, rest) if len(rest) > 1 else rest[0]
            self._swap(node, copy.deepcopy(less), "part left out")
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        """A negation is left out."""
        self._swap(node, copy.deepcopy(node.operand), "negation left out")
        self.generic_visit(node)

    def visit_If(self, node: ast.If) -> None:
        """A condition that never, and one that always holds."""
        if not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            for value in ("False", "True"):
                self._note(node.test, "condition", value)
            self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        """The other of two values."""
        new = ast.IfExp(node.test, node.orelse, node.body)
        self._swap(node, copy.deepcopy(new), "condition")
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        """One more, one less; half as much again; the other truth value."""
        value = node.value
        if isinstance(value, bool):
            self._note(node, "truth value", str(not value))
        elif isinstance(value, int):
            for other in (value + 1, value - 1):
                self._note(node, "number", f"({other})")
        elif isinstance(value, float):
            self._note(node, "number", repr(value * 1.5 if value else 1.0))

    def visit_Expr(self, node: ast.Expr) -> None:
        """A call that is made for its effect is left out."""
        if isinstance(node.value, ast.Call):
            self._note(node, "call left out", "pass")
        self.generic_visit(node)

    def visit_Raise(self, node: ast.Raise) -> None:
        """An error is not raised; the numbers of its message do not matter."""
        self._note(node, "raise left out", "pass")

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        """The other operator."""
        other = ARITHMETIC.get(type(node.op))
        if other is not None:
            new = copy.deepcopy(node)
            new.op = other()
            self._note(node, "operator", ast.unparse(ast.fix_missing_locations(new)))
        self.generic_visit(node)

    def visit_Break(self, node: ast.Break) -> None:
        """Goes on instead."""
        self._note(node, "jump", "continue")

    def visit_Continue(self, node: ast.Continue) -> None:
        """Ends the loop instead."""
        self._note(node, "jump", "break")

    def visit_Call(self, node: ast.Call) -> None:
        """The smaller becomes the larger, one becomes all."""
        if isinstance(node.func, ast.Name) and node.func.id in NAMES:
            self._note(node.func, "choice", NAMES[node.func.id])
        self.generic_visit(node)


def mutants_of(root: Path, path: Path) -> Iterator[Mutant]:
    """Every mutant of one module; `path` is told relative to `root`."""
    source = path.read_text("utf-8")
    finder = _Finder(str(path.relative_to(root)), source)
    finder.visit(ast.parse(source))
    before: Counter[tuple[str, str, str]] = Counter()
    for mutant in sorted(finder.found, key=lambda m: m.start):
        if mutant.after.strip("()") != mutant.before:
            same = (mutant.scope, mutant.before, mutant.after)
            before[same] += 1
            yield replace(mutant, nth=before[same])


def with_change(source: bytes, mutant: Mutant) -> bytes:
    """The module's text with the mutant in it."""
    return source[: mutant.start] + mutant.after.encode() + source[mutant.end :]
