"""Tables of a case as TOML text."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def toml_value(value: Any) -> str:
    r"""
    A value on one line; tables inline.

    Examples
    --------
    >>> print(toml_value([8e6, 2.5, 1e-9, 0.001, 26.3876]))
    [8e6, 2.5, 1e-9, 0.001, 26.3876]
    >>> print(toml_value({"at": [1, 2.5], "U1.AGND": True, "text": 'a "b"'}))
    { at = [1, 2.5], "U1.AGND" = true, text = "a \"b\"" }
    """
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {toml_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int | float):
        plain = repr(value)
        if not isinstance(value, float) or not np.isfinite(value):
            return plain
        short = re.sub(r"e\+?(-?)0*(\d)", r"e\1\2", np.format_float_scientific(value, trim="-"))
        return short if "e" in plain or len(short) + 3 < len(plain) else plain
    message = f"A value of type {type(value).__name__} is nothing that a case file can hold."
    raise TypeError(message)


def toml_text(tables: Mapping[str, Any]) -> str:
    """
    Tables of a case as text: single values first, then tables, then arrays of tables, each key on a line.

    Examples
    --------
    >>> print(toml_text({"layer": [{"name": "L1"}], "format": 1}))
    format = 1
    <BLANKLINE>
    [[layer]]
    name = "L1"
    <BLANKLINE>
    """
    single = {key: value for key, value in tables.items() if not _is_table(value) and not _is_array(value)}
    lines = [f"{_key(key)} = {toml_value(value)}" for key, value in single.items()]
    for key, value in tables.items():
        if _is_table(value):
            lines += ["", f"[{_key(key)}]", *_lines(value)]
        elif _is_array(value):
            for item in value:
                lines += ["", f"[[{_key(key)}]]", *_lines(item)]
    return "\n".join(lines) + "\n"


def variant_text(name: str, changes: Mapping[str, Any], said: Sequence[str] = ()) -> str:
    """
    A variant as text, to be put at the end of a case file: what it adds as tables of their own, all else a line each.

    Parameters
    ----------
    name : str
    changes : mapping
        As its table gives them: any of drop, move, set and add.
    said : sequence of str
        Sentences that stand above it as comments.

    Examples
    --------
    >>> hole = {"name": "hole", "copper": "strip", "shape": {"circle": [20, 5], "diameter": 2}}
    >>> print(variant_text("holed", {"drop": ["slot"], "move": {"A": [1, 2.5]}, "add": {"cutout": [hole]}}))
    [[variant]]
    name = "holed"
    drop = ["slot"]
    <BLANKLINE>
    [variant.move]
    A = [1, 2.5]
    <BLANKLINE>
    [[variant.add.cutout]]
    name = "hole"
    copper = "strip"
    shape = { circle = [20, 5], diameter = 2 }
    <BLANKLINE>
    """
    lines = [*(f"# {' '.join(line.split())}" for line in said), "[[variant]]", f"name = {toml_value(name)}"]
    for key, value in changes.items():
        if not _is_table(value):
            lines.append(f"{_key(key)} = {toml_value(value)}")
        elif key != "add":
            lines += ["", f"[variant.{_key(key)}]", *_lines(value)]
    for kind, tables in changes.get("add", {}).items():
        for table in tables:
            lines += ["", f"[[variant.add.{_key(kind)}]]", *_lines(table)]
    return "\n".join(lines) + "\n"


def _lines(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {toml_value(value)}" for key, value in table.items()]


def _is_table(value: object) -> bool:
    return isinstance(value, Mapping)


def _is_array(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(item, Mapping) for item in value)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else json.dumps(key, ensure_ascii=False)
