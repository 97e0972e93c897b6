"""Putting back: tried again, told when lost, and a Ctrl-C waits until it is done."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import CheckValueWrong, SlotDisturbed, SlotproofError
from harness.families.common.restore import put_back, restored

Make = Callable[..., Any]
"""A fixture that makes something; conftest has the signatures."""


class Fickle:
    """An action that raises what it is told to, time by time."""

    def __init__(self, *faults: BaseException) -> None:
        self.faults = list(faults)
        self.done = 0

    def __call__(self) -> None:
        """The next fault, or success."""
        if self.faults:
            raise self.faults.pop(0)
        self.done += 1


def test_tried_three_times(script: Make) -> None:
    """Two faults are forgiven, the third is the error that says so."""
    action = Fickle(CheckValueWrong("noise"), SlotDisturbed("noise"))
    put_back(script(0x3A, []), action, what="the outputs")
    assert action.done == 1
    session = script(0x3A, [])
    faults = [CheckValueWrong("a"), CheckValueWrong("b"), SlotDisturbed("spike")]
    with pytest.raises(SlotDisturbed, match="outputs could not be put back: spike"):
        put_back(session, Fickle(*faults), what="the outputs", hint="by hand")
    assert session.notes == [("the outputs not restored", {})]


def test_ctrl_c_waits(script: Make) -> None:
    """Interrupted while putting back: done first, then stopped."""
    action = Fickle(KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        put_back(script(0x3A, []), action, what="the outputs")
    assert action.done == 1


def test_after_an_error_inside(script: Make) -> None:
    """The error inside goes on, once things are back; one in putting back wins."""
    action = Fickle()
    with (
        pytest.raises(SlotproofError, match="inside"),
        restored(script(0x3A, []), action, what="the outputs"),
    ):
        raise SlotproofError("inside")
    assert action.done == 1
    lost = Fickle(*[CheckValueWrong("gone")] * 3)
    with (
        pytest.raises(CheckValueWrong, match="put back: gone"),
        restored(script(0x3A, []), lost, what="the outputs"),
    ):
        raise SlotproofError("inside")
