"""Errors: what each carries, and that copies keep it."""

import copy
import pickle
from typing import Any

import pytest

from harness import errors
from harness.errors import SlotproofError
from harness.plans.steps.attempts import outcome_of
from harness.records import Outcome


def _all() -> list[type[SlotproofError]]:
    found: list[type[SlotproofError]] = []
    stack: list[type[SlotproofError]] = [SlotproofError]
    while stack:
        kind = stack.pop()
        if kind.__module__ == errors.__name__:
            found.append(kind)
        stack += kind.__subclasses__()
    return found


@pytest.mark.parametrize("kind", _all(), ids=lambda kind: kind.__name__)
def test_copy_and_pickle_keep_every_field(kind: type[SlotproofError]) -> None:
    """What, where, hint, cause and facts survive copying and pickling."""
    known: dict[str, Any] = {"cause": "supply", "facts": {"status": "27"}}
    error = kind("it broke", where="A1", hint="look there", **known)
    for twin in (
        copy.copy(error),
        copy.deepcopy(error),
        pickle.loads(pickle.dumps(error)),
    ):
        assert type(twin) is kind
        assert (twin.what, twin.where, twin.hint) == ("it broke", "A1", "look there")
        assert {"cause": twin.cause, "facts": twin.facts} == known
        assert str(twin) == "A1: it broke -> look there"


def test_every_leaf_has_its_own_word_and_a_hint() -> None:
    """Reports tell errors apart by a fixed word, and each says what to try first."""
    leaves = [kind for kind in _all() if not kind.__subclasses__()]
    words = [kind.kind for kind in leaves]
    assert len(set(words)) == len(words)
    bare = {kind.__name__ for kind in leaves if not kind.default_hint}
    # what to do about a mistake in a file depends on the mistake
    assert bare <= {"UsageError"}


@pytest.mark.parametrize(
    ("base", "outcome"),
    [
        (errors.AdapterError, Outcome.ERROR),
        (errors.LineError, Outcome.FAILED),
        (errors.DeviceError, Outcome.FAILED),
        (errors.UsageError, Outcome.ERROR),
    ],
)
def test_blame_decides_the_verdict(
    base: type[SlotproofError], outcome: Outcome
) -> None:
    """An adapter's fault is an error, never a failed device; so for each subclass."""
    for kind in [k for k in _all() if issubclass(k, base)]:
        assert outcome_of(kind("x")) is outcome
