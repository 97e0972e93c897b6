"""Which keys a place of a file may have, looked up in its JSON Schema."""

from __future__ import annotations

from typing import Any

from harness.plans.loading.yaml_text import KeyPath, Plain, step_into


def known_keys(schema: dict[str, Any], data: Plain, path: KeyPath) -> list[str]:
    """The keys allowed in the mapping at ``path``.

    Args:
        schema: JSON Schema of the whole file.
        data: the file's plain data; it decides between branches.
        path: key path of the mapping.
    """
    nodes = _at(schema, data, path)
    return list(dict.fromkeys(k for node in nodes for k in node.get("properties", {})))


def about(schema: dict[str, Any], data: Plain, path: KeyPath, key: str) -> str:
    """The description of one key of the mapping at ``path``, and the words it may be."""
    for node in _at(schema, data, path):
        found = node.get("properties", {}).get(key)
        if found:
            words = [str(word) for word in found.get("enum", ())]
            choice = f": one of {', '.join(words)}" if words else ""
            return f"{found.get('description', '')}{choice}"
    return ""


def _at(schema: dict[str, Any], data: Plain, path: KeyPath) -> list[dict[str, Any]]:
    """The schemas that the value at ``path`` may follow."""
    here = _branches(schema, schema, data)
    for part in path:
        data = step_into(data, part)
        here = [
            branch
            for node in here
            if (inner := _inner(node, part)) is not None
            for branch in _branches(schema, inner, data)
        ]
    return here


def _inner(node: dict[str, Any], part: str | int) -> dict[str, Any] | None:
    inner: Any
    if isinstance(part, int):
        inner = node.get("items")
    else:
        inner = node.get("properties", {}).get(part) or _of_any_key(node)
    return inner if isinstance(inner, dict) else None


def _of_any_key(node: dict[str, Any]) -> object:
    """The schema of the values of a mapping whose keys the user chooses."""
    patterns = node.get("patternProperties", {})
    return next(iter(patterns.values()), None) or node.get("additionalProperties")


def _branches(
    schema: dict[str, Any], node: dict[str, Any], data: Plain
) -> list[dict[str, Any]]:
    """The plain schemas that a node stands for, as far as the data leave it open."""
    if "$ref" in node:
        name = node["$ref"].removeprefix("#/$defs/")
        return _branches(schema, schema["$defs"][name], data)
    chosen = _chosen(node, data)
    if chosen is not None:
        return _branches(schema, {"$ref": chosen}, data)
    inner = [*node.get("anyOf", ()), *node.get("oneOf", ())]
    found = [b for option in inner for b in _branches(schema, option, data)]
    return [node, *found]


def _chosen(node: dict[str, Any], data: Plain) -> str | None:
    """The branch that the data's own word selects."""
    rule = node.get("discriminator")
    if not rule or not isinstance(data, dict):
        return None
    mapping: dict[str, str] = rule.get("mapping", {})
    return mapping.get(str(data.get(rule["propertyName"])))
