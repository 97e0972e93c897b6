"""Where ``only_if_passed`` is effective: no later round runs an unguarded step after it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.plans.loading.problems import Problem
from harness.plans.loading.yaml_text import Document, KeyPath, Plain

_KEY = "only_if_passed"
_Leaf = tuple[KeyPath, bool]
"""A step that has none inside: its place, and whether it is guarded."""


def check_guarded(data: Plain, document: Document) -> Iterator[Problem]:
    """Guarded steps that stand behind others in one step that goes round.

    With two devices the first one would be locked before the second is judged.

    Args:
        data: the plan's plain data, parameters already put in.
        document: where the data came from.
    """
    steps = data.get("steps") if isinstance(data, dict) else None
    for index, item in enumerate(steps if isinstance(steps, list) else ()):
        leaves = list(_leaves(item, ("steps", index), guarded=False))
        if path := _first_behind_free(leaves):
            yield document.problem(
                document.place_of(path),
                f"{_KEY} behind a step of the same round: one device would be done "
                "before the next is judged",
                expected="the step in a for_each of its own, at the end of the plan",
            )


def _first_behind_free(leaves: Iterable[_Leaf]) -> KeyPath | None:
    """The first guarded leaf that stands behind one that is not."""
    is_behind = False
    for path, guarded in leaves:
        if guarded and is_behind:
            return path
        is_behind = is_behind or not guarded
    return None


def _leaves(item: Plain, path: KeyPath, *, guarded: bool) -> Iterator[_Leaf]:
    if not isinstance(item, dict) or len(item) != 1:
        return
    ((kind, body),) = item.items()
    keys = body if isinstance(body, dict) else {}
    guarded = guarded or keys.get(_KEY) is True
    inner = keys.get("steps")
    if not isinstance(inner, list):
        yield path, guarded
        return
    for index, each in enumerate(inner):
        yield from _leaves(each, (*path, str(kind), "steps", index), guarded=guarded)
