"""Every identifier of a reason that the tool can write has words for it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import harness
from harness.results.reasons import REASON_WORDS, reason_words
from harness.wire.slots.resets import Presence

ROOT = Path(harness.__file__).parent
RESULTS = {"CheckResult", "Attempt", "Reason", "SoakError", "Fault", "replace"}
"""Calls that make a result; ``kind`` of others is a kind of device, step or adapter."""

ROOMS = ("errors.py", "plans", "recordings", "results", "station")
NOT_REASONS = frozenset({"not-a-reason", ""})


def _trees() -> list[ast.Module]:
    files = [ROOT / "errors.py"]
    for room in ROOMS[1:]:
        files += sorted((ROOT / room).rglob("*.py"))
    return [ast.parse(file.read_text(encoding="utf-8")) for file in files]


def _constants(trees: list[ast.Module]) -> dict[str, set[str]]:
    """Texts of the module-level names, of all modules together."""
    found: dict[str, set[str]] = {}
    for node in (node for tree in trees for node in tree.body):
        match node:
            case ast.Assign(
                targets=[ast.Name(id=name)], value=ast.Constant(value=str(text))
            ):
                found.setdefault(name, set()).add(text)
    return found


def _values(node: ast.expr, names: dict[str, set[str]]) -> Iterator[str]:
    """Texts that an expression may have: itself, or either side of a condition."""
    match node:
        case ast.Constant(value=str(text)):
            yield text
        case ast.Name(id=name):
            yield from names.get(name, ())
        case ast.IfExp(body=first, orelse=second):
            yield from _values(first, names)
            yield from _values(second, names)


def _identifiers(tree: ast.Module, names: dict[str, set[str]]) -> Iterator[str]:
    for node in ast.walk(tree):
        match node:
            case ast.ClassDef(bases=[ast.Name(id=base), *_]) if base.endswith(
                ("Error", "Missing")
            ):
                for line in node.body:
                    match line:
                        case ast.Assign(targets=[ast.Name(id="kind")], value=value):
                            yield from _values(value, names)
            case ast.Call(func=ast.Name(id=name), keywords=keywords) if name in RESULTS:
                for keyword in keywords:
                    if keyword.arg == "kind":
                        yield from _values(keyword.value, names)
            case ast.Tuple(
                elts=[ast.Attribute(value=ast.Name(id="Outcome")), kind, *_]
            ):
                yield from _values(kind, names)


def test_every_identifier_has_words() -> None:
    """Those of errors, of results, and of resets; no words for one that is not written."""
    trees = _trees()
    names = _constants(trees)
    found = {text for tree in trees for text in _identifiers(tree, names)}
    found |= {f"presence-{p}" for p in Presence} - {"presence-seen"}
    found -= NOT_REASONS
    assert len(found) > 60
    assert sorted(found - REASON_WORDS.keys()) == []


def test_words_are_words() -> None:
    """No hyphened identifier among them, and no two alike but those that mean the same."""
    for kind, words in REASON_WORDS.items():
        assert words == words.strip() != ""
        assert not ("-" in kind and words == kind)


def test_an_identifier_of_a_plug_in() -> None:
    assert reason_words("lamp-too-dark") == "lamp too dark"
    assert reason_words("") == ""
