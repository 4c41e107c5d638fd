"""Small changes of the source, each of which some test should notice, and those that none should, by rule.

Operators are those of cosmic-ray, one replacement each: what fails wherever it is run (a shift of floats, a dataclass
without its decorator) would only raise the count. Left out by rule, since it changes nothing that a program computes:

- annotations and blocks of `TYPE_CHECKING`: mypy reads them;
- options of a dataclass: memory, a signature that mypy checks, and what `tests/test_dataclasses.py` checks of all;
- `strict` of `zip`: it guards against lengths that differ by a mistake in the caller just above;
- a star without two operands: that of a signature says how arguments are passed, which mypy reads, and a display
  without one of its two stars is no Python;
- arguments `overwrite_...` that are true: they let scipy use memory again;
- a number to which one more adds nothing.

The negation of a comparison that is all of a condition is left out, since a `not` before the condition is the same.
Nothing of cosmic-ray changes texts, so the wording of messages and docstrings stand outside from the start.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from cosmic_ray.ast import Visitor, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.operator import Operator
from cosmic_ray.operators.provider import OperatorProvider

Place = tuple[int, int]
_BINARY: Final = "Add_Sub Sub_Add Mul_Div Div_Mul Pow_Mul FloorDiv_Mul Mod_Mul BitOr_BitAnd BitAnd_BitOr BitXor_BitOr"
_BOUND: Final = "Eq_NotEq NotEq_Eq Is_IsNot IsNot_Is Lt_LtE LtE_Lt Gt_GtE GtE_Gt"
_NEGATION: Final = "Lt_GtE LtE_Gt Gt_LtE GtE_Lt"
_UNARY: Final = "USub Not Invert"
_OTHER: Final = (
    "AddNot ReplaceTrueWithFalse ReplaceFalseWithTrue ReplaceAndWithOr ReplaceOrWithAnd ReplaceBreakWithContinue "
    "ReplaceContinueWithBreak ExceptionReplacer NumberReplacer ZeroIterationForLoop"
)
NEGATIONS: Final = frozenset(f"ReplaceComparisonOperator_{one}" for one in _NEGATION.split())
OPERATORS: Final = (
    *(f"ReplaceBinaryOperator_{one}" for one in _BINARY.split()),
    *(f"ReplaceComparisonOperator_{one}" for one in (*_BOUND.split(), *_NEGATION.split())),
    *(f"ReplaceUnaryOperator_Delete_{one}" for one in _UNARY.split()),
    *_OTHER.split(),
)


@dataclass(frozen=True, order=True)
class Mutant:
    """One change of one file."""

    file: str  # from the root
    line: int
    column: int
    operator: str
    occurrence: int  # among the places where the operator could change the file

    def text(self, root: Path) -> str:
        """The file with the change made."""
        changed = mutate_code((root / self.file).read_text(encoding="utf-8"), _operator(self.operator), self.occurrence)
        if changed is None:
            raise ValueError(f"{self}: the file has changed")
        return str(changed)

    def change(self, root: Path) -> tuple[str, str]:
        """The lines that differ, before and after."""
        before, after = (root / self.file).read_text(encoding="utf-8").split("\n"), self.text(root).split("\n")
        kept = range(min(len(before), len(after)))
        first = next(number for number in kept if before[number] != after[number])
        return before[first].strip(), after[first].strip()

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column} {self.operator}#{self.occurrence}"


class _Places(Visitor):  # type: ignore[misc]  # cosmic-ray has no types
    """Where an operator could change a tree."""

    def __init__(self, operator: Operator) -> None:
        self.operator = operator
        self.found: list[tuple[Place, Place]] = []

    def visit(self, node: Any) -> Any:
        self.found += self.operator.mutation_positions(node)
        return node


def _operator(name: str) -> Operator:
    return OperatorProvider()[name]()


def mutants(root: Path, file: str) -> list[Mutant]:
    """All mutants of one file, in the order of its lines."""
    text = (root / file).read_text(encoding="utf-8")
    tree, spans = get_ast(text), Spans(text)
    found = []
    for name in OPERATORS:
        places = _Places(_operator(name))
        places.walk(tree)
        for occurrence, (start, end) in enumerate(places.found):
            if spans.without_effect(start) or (name in NEGATIONS and spans.is_condition_with(start, end)):
                continue
            if name.startswith("ReplaceBinaryOperator") and not spans.is_between_operands(start):
                continue
            found.append(Mutant(file, start[0], start[1], name, occurrence))
    return sorted(found)


class Spans:
    """Where things stand in a source."""

    def __init__(self, text: str) -> None:
        self.lines = text.split("\n")
        self.tree = ast.parse(text)
        self._idle = [self._span(node) for node in _idle(self.tree)]
        operations = [node for node in ast.walk(self.tree) if isinstance(node, ast.BinOp)]
        self._operators = [(self._span(node.left)[1], self._span(node.right)[0]) for node in operations]
        tests = [node.test for node in ast.walk(self.tree) if isinstance(node, ast.If | ast.While | ast.IfExp)]
        self._conditions = [self._span(node) for node in tests if isinstance(node, ast.Compare) and len(node.ops) == 1]

    def _span(self, node: ast.AST) -> tuple[Place, Place]:
        """First and last place of a node, columns in characters as cosmic-ray counts them."""

        def place(line: int, column: int) -> Place:
            return line, len(self.lines[line - 1].encode()[:column].decode())

        assert isinstance(node, ast.expr | ast.stmt | ast.arg | ast.keyword)
        return place(node.lineno, node.col_offset), place(node.end_lineno or 0, node.end_col_offset or 0)

    def without_effect(self, place: Place) -> bool:
        """Whether a rule of the module's first lines leaves this place out."""
        return any(first <= place < last for first, last in self._idle)

    def is_between_operands(self, place: Place) -> bool:
        """Whether something of two operands stands here."""
        return any(first <= place < last for first, last in self._operators)

    def is_condition_with(self, start: Place, end: Place) -> bool:
        """Whether this operator compares for the whole of a condition."""
        return any(first < start and end < last for first, last in self._conditions)

    def statement(self, line: int) -> tuple[list[ast.stmt], range]:
        """Statements around a line, outermost first, and the lines of the innermost one (or of its head)."""
        around: list[ast.stmt] = []
        body = self.tree.body
        while True:
            inner = [node for node in body if node.lineno <= line <= (node.end_lineno or 0)]
            inner = inner or [node for node in body if _first_line(node) <= line <= (node.end_lineno or 0)]
            if not inner:
                break
            around.append(inner[0])
            body = [child for child in ast.iter_child_nodes(inner[0]) if isinstance(child, ast.stmt)]
            handlers = [child for child in ast.iter_child_nodes(inner[0]) if isinstance(child, ast.ExceptHandler)]
            body += [statement for handler in handlers for statement in handler.body]
        innermost = around[-1]
        bodies = [child.lineno for child in ast.iter_child_nodes(innermost) if isinstance(child, ast.stmt)]
        last = min(bodies) - 1 if bodies else (innermost.end_lineno or line)
        return around, range(_first_line(innermost), max(last, line) + 1)


def _first_line(node: ast.stmt) -> int:
    decorators = node.decorator_list if isinstance(node, ast.FunctionDef | ast.ClassDef) else []
    return min([node.lineno, *(one.lineno for one in decorators)])


def _idle(tree: ast.Module) -> Iterator[ast.AST]:
    for node in ast.walk(tree):
        match node:
            case ast.arg(annotation=ast.expr() as annotation) | ast.AnnAssign(annotation=annotation):
                yield annotation
            case ast.If(test=ast.Name(id="TYPE_CHECKING")):
                yield node
            case ast.Call(func=ast.Name(id="zip"), keywords=keywords):
                yield from (one for one in keywords if one.arg == "strict")
            case ast.keyword(arg=str(name), value=ast.Constant(value=value)) if name.startswith("overwrite_") and value:
                yield node
            case ast.Constant(value=float() | int() as value) if value + 1 == value:
                yield node
            case ast.ClassDef(decorator_list=decorators):
                keywords = [one for call in decorators if isinstance(call, ast.Call) for one in call.keywords]
                yield from keywords
            case _:
                pass
        if isinstance(node, ast.FunctionDef) and node.returns is not None:
            yield node.returns
