"""Conditions such as ``up and roof != 'full'``, evaluated over whole arrays at once.

Only names, quoted words, ``and or not``, ``== != in``, parentheses and ``a if c else b`` are
legal; words are compared by number (see `code`). `simpleeval` and friends evaluate one value
at a time; the plant evaluates hundreds of samples in one go, so the expression is compiled to
NumPy logic here.
"""

from __future__ import annotations

import ast
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

Environment = Mapping[str, Any]
Evaluate = Callable[[Environment], Any]
LONGEST = 2000
"""Characters of an expression."""
DEEPEST = 40
"""Parts of an expression within one another."""


_CODES: dict[str, int] = {}


def code(word: str) -> int:
    """The number that stands for a word in arrays; the same word has the same number."""
    return _CODES.setdefault(word, len(_CODES) + 2)


class ExpressionError(ValueError):
    """An expression that is not legal; the message says what is."""


@dataclass(frozen=True)
class Expression:
    """A compiled expression and the full names that it reads."""

    text: str
    names: frozenset[str]
    evaluate: Evaluate


def compile_expression(text: str, resolve: Callable[[str], str]) -> Expression:
    """Compile `text`; `resolve` turns each name into its full name or raises ExpressionError."""
    if len(text) > LONGEST:
        raise ExpressionError(f"an expression has {LONGEST} characters at most: '{text[:40]}…'")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # an odd escape in a word would be said on stderr
            tree = ast.parse(text.strip(), mode="eval").body
    except SyntaxError as error:
        raise ExpressionError(f"'{text}' is not an expression: {error.msg}") from error
    except (ValueError, Warning) as error:  # no characters; a null character
        raise ExpressionError(f"'{text!a}' is not an expression: {error}") from error
    except (RecursionError, MemoryError) as error:
        raise ExpressionError(f"'{text[:40]}…' is nested too deep") from error
    if _depth(tree) > DEEPEST:
        raise ExpressionError(f"'{text[:40]}…' is nested too deep")
    names: set[str] = set()
    evaluate = _build(tree, text, resolve, names)
    return Expression(text, frozenset(names), evaluate)


def _depth(tree: ast.AST) -> int:
    """How many nodes stand within one another, counted without recursion."""
    depth, level = 0, [tree]
    while level:
        depth += 1
        level = [child for node in level for child in ast.iter_child_nodes(node)]
    return depth


def dotted_name(node: ast.AST) -> str | None:
    """The dotted name that a node writes, or None where it is something else."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        base = dotted_name(node.value)
        return None if base is None else f"{base}.{node.attr}"
    return None


def _build(node: ast.expr, text: str, resolve: Callable[[str], str], names: set[str]) -> Evaluate:
    def build(child: ast.expr) -> Evaluate:
        return _build(child, text, resolve, names)

    dotted = dotted_name(node)
    if dotted is not None:
        if dotted in ("yes", "no"):
            value = dotted == "yes"
            return lambda env: value
        full = resolve(dotted)
        names.add(full)
        return lambda env: env[full]
    if isinstance(node, ast.Constant) and isinstance(node.value, str | bool):
        constant = code(node.value) if isinstance(node.value, str) else node.value
        return lambda env: constant
    if isinstance(node, ast.BoolOp):
        parts = [build(value) for value in node.values]
        join = np.logical_and if isinstance(node.op, ast.And) else np.logical_or

        def combine(env: Environment) -> Any:
            result = parts[0](env)
            for part in parts[1:]:
                result = join(result, part(env))
            return result

        return combine
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        operand = build(node.operand)
        return lambda env: np.logical_not(operand(env))
    if isinstance(node, ast.IfExp):
        test, yes, no = build(node.test), build(node.body), build(node.orelse)
        return lambda env: np.where(test(env), yes(env), no(env))
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        left = build(node.left)
        right_node = node.comparators[0]
        op = node.ops[0]
        if isinstance(op, ast.In | ast.NotIn) and isinstance(right_node, ast.Tuple | ast.List):
            members = [build(item) for item in right_node.elts]

            def member(env: Environment) -> Any:
                value = left(env)
                found: Any = False
                for item in members:
                    found = np.logical_or(found, _equal(value, item(env)))
                return np.logical_not(found) if isinstance(op, ast.NotIn) else found

            return member
        if isinstance(op, ast.Eq | ast.NotEq):
            right = build(right_node)
            if isinstance(op, ast.Eq):
                return lambda env: _equal(left(env), right(env))
            return lambda env: np.logical_not(_equal(left(env), right(env)))
    raise ExpressionError(
        f"'{text}': only names, 'words', and, or, not, ==, !=, in and if-else are legal"
    )


def _equal(left: Any, right: Any) -> Any:
    return np.equal(left, right)
