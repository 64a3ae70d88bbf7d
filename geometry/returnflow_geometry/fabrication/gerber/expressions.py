"""Arithmetic of aperture macros: numbers, variables, + - x / and parentheses; nothing of it is ever run as code."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from returnflow_geometry.fabrication.base.budget import quoted

_TOKEN = re.compile(r"(\d{1,18}\.?\d{0,18}|\.\d{1,18})|\$(\d{1,4})|([-+xX/()])")
LONGEST = 10_000  # characters of one expression

# What the stack machine does: push a number, push a variable, or combine.
_Step = tuple[str, float]


class Expression:
    """
    One parsed expression; call it with the variables' values.

    Examples
    --------
    >>> compiled("$1x(2+$2)/4", 16)({1: 2.0, 2: 4.0})
    3.0
    """

    def __init__(self, text: str, steps: list[_Step]) -> None:
        self.text = text
        self._steps = steps

    def __call__(self, variables: Mapping[int, float]) -> float:
        """Value; a variable that was never set is 0. Raises ValueError on a division by zero or overflow."""
        stack: list[float] = []
        for what, value in self._steps:
            if what == "number":
                stack.append(value)
            elif what == "variable":
                stack.append(variables.get(int(value), 0.0))
            elif what == "negate":
                stack[-1] = -stack[-1]
            else:
                right = stack.pop()
                stack[-1] = _combined(what, stack[-1], right, self.text)
        return stack[0]


def _combined(what: str, left: float, right: float, text: str) -> float:
    if what == "/" and right == 0.0:
        message = f"{quoted(text)} divides by zero. Repair it."
        raise ValueError(message)
    value = {"+": left + right, "-": left - right, "x": left * right}[what] if what != "/" else left / right
    if not math.isfinite(value):
        message = f"{quoted(text)} overflows. Repair it."
        raise ValueError(message)
    return value


def compiled(text: str, depth: int) -> Expression:
    """
    Parse an expression without blanks.

    Parameters
    ----------
    text : str
    depth : int
        Most parentheses and signs inside each other.

    Raises
    ------
    ValueError
        With the expression and the rule.
    """
    if len(text) > LONGEST:
        message = f"expression of {len(text)} characters; at most {LONGEST} are read. Shorten it."
        raise ValueError(message)
    tokens: list[tuple[str, str]] = []
    at = 0
    while at < len(text):
        found = _TOKEN.match(text, at)
        if found is None:
            message = f"{quoted(text)}: {quoted(text[at])} is neither a number, $n nor one of + - x / ( ). Repair it."
            raise ValueError(message)
        at = found.end()
        number, variable, sign = found.groups()
        tokens.append(("number", number) if number else ("variable", variable) if variable else (sign.lower(), ""))
    parser = _Parser(text, tokens, depth)
    parser.terms(0)
    parser.done()
    return Expression(text, parser.steps)


class _Parser:
    """Recursive descent: terms of factors of values, written down in the order a stack machine needs."""

    def __init__(self, text: str, tokens: list[tuple[str, str]], depth: int) -> None:
        self.text = text
        self.tokens = [*tokens, ("end", "")]
        self.at = 0
        self.depth = depth
        self.steps: list[_Step] = []

    def error(self, rule: str) -> ValueError:
        return ValueError(f"expression {quoted(self.text)}: {rule}. Repair it.")

    def done(self) -> None:
        if self.tokens[self.at][0] != "end":
            message = "an operator or the end is missing"
            raise self.error(message)

    def terms(self, depth: int) -> None:
        self.factors(depth)
        while (kind := self.tokens[self.at][0]) in ("+", "-"):
            self.at += 1
            self.factors(depth)
            self.steps.append((kind, 0.0))

    def factors(self, depth: int) -> None:
        self.value(depth)
        while (kind := self.tokens[self.at][0]) in ("x", "/"):
            self.at += 1
            self.value(depth)
            self.steps.append((kind, 0.0))

    def value(self, depth: int) -> None:
        if depth > self.depth:
            message = f"more than {self.depth} parentheses or signs inside each other"
            raise self.error(message)
        kind, text = self.tokens[self.at]
        self.at += 1
        if kind in ("number", "variable"):
            self.steps.append((kind, float(text)))
        elif kind in ("+", "-"):
            self.value(depth + 1)
            if kind == "-":
                self.steps.append(("negate", 0.0))
        elif kind == "(":
            self.terms(depth + 1)
            if self.tokens[self.at][0] != ")":
                message = "a closing parenthesis is missing"
                raise self.error(message)
            self.at += 1
        else:
            message = "a number, a variable or a parenthesis is missing"
            raise self.error(message)
