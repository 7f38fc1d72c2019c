"""Walks through text that people read: every run of words in the program's literals, every text of a report."""

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from dataclasses import fields as fields_of
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]

_WORDS = re.compile(r"[A-Za-z'’]{2,}(?:[ -][A-Za-z'’]+)+")
"""Two words or more, one after the other."""

_NO_TEXT = re.compile(r"[<>{}\\|]|\w/\w+\.|^[a-z]+=|\w_\w+ = |;$")
"""Pieces of HTML, of patterns, of styles and of settings."""

_OWN_ERRORS = {"ValueError", "TypeError", "KeyError", "AssertionError", "RuntimeError", "PermissionError",
               "_DecoderGoneError", "JobFailed"}  # fmt: skip
"""What is raised for programmers; people read none of it."""


@dataclass(frozen=True)
class Text:
    """A run of words in the source."""

    module: str
    line: int
    words: str


def texts_in(module: str) -> Iterator[Text]:
    """Every run of words in a module's literals; docstrings and messages for programmers are left out."""
    tree = ast.parse((ROOT / module).read_text(encoding="utf-8"))
    skipped = {id(node) for parent in ast.walk(tree) for node in _not_for_people(parent)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skipped:
            if _NO_TEXT.search(node.value):
                continue
            for found in _WORDS.finditer(node.value):
                yield Text(module, node.lineno, found[0])


def _not_for_people(parent: ast.AST) -> Iterator[ast.AST]:
    if isinstance(parent, ast.Expr) and isinstance(parent.value, ast.Constant):
        yield parent.value  # a docstring
    if isinstance(parent, ast.Raise) and isinstance(parent.exc, ast.Call):
        name = parent.exc.func.id if isinstance(parent.exc.func, ast.Name) else ""
        if name in _OWN_ERRORS:
            yield from ast.walk(parent)
    if isinstance(parent, ast.FormattedValue) and parent.format_spec is not None:
        yield from ast.walk(parent.format_spec)
    if isinstance(parent, ast.Call) and isinstance(parent.func, ast.Attribute) and parent.func.attr == "compile":
        yield from ast.walk(parent)
    annotations = [getattr(parent, name, None) for name in ("annotation", "returns")]
    for annotation in annotations:
        if isinstance(annotation, ast.AST):
            yield from ast.walk(annotation)


def texts_of(part):
    """Every text of a section of a report."""
    found = [part.title]
    for block in part.blocks:
        for field in fields_of(block):
            value = getattr(block, field.name)
            if field.name == "columns":
                found += [column.title for column in value]
            elif field.name == "rows":
                found += [cell for row in value for cell in row]
            elif field.name == "pictures":
                found += [picture.caption for picture in value]
            elif field.name in ("items", "lines", "labels"):
                found += value
            elif field.name in ("text", "name", "date"):
                found.append(value)
    return found
