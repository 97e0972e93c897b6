"""Putting back what a check changed, however the check ended."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from harness.errors import AnswerImpossible, SlotproofError
from harness.families.family import Session

_TRIES = 3


def put_back(
    session: Session,
    action: Callable[[], object],
    *,
    what: str,
    hint: str = "",
    note: str = "",
) -> None:
    """Do what restores the device, up to three times; a Ctrl-C waits until then.

    Args:
        session: the device.
        action: writes and proves; raises if it did not work.
        what: the thing restored, in words.
        hint: what a person must do if it cannot be.
        note: the thing as the journal's note names it; ``what`` if empty.

    Raises:
        SlotproofError: of the kind that kept it from being put back.
        KeyboardInterrupt: one that came meanwhile.
    """
    stopped: KeyboardInterrupt | None = None
    fault: SlotproofError | None = None
    for _ in range(_TRIES):
        try:
            session.settle()
            action()
        except KeyboardInterrupt as again:
            stopped = again
        except SlotproofError as again:
            fault = again
        else:
            break
    else:
        session.note(f"{note or what} not restored")
        raise stopped or _lost(what, hint, fault) from fault
    if stopped is not None:
        raise stopped


def _lost(what: str, hint: str, fault: SlotproofError | None) -> SlotproofError:
    kind = type(fault) if fault is not None else AnswerImpossible
    reason = f": {fault.what}" if fault is not None else ""
    return kind(
        f"{what} could not be put back{reason}",
        hint=hint,
        cause=fault.cause if fault is not None else "",
        facts=fault.facts if fault is not None else None,
    )


@contextmanager
def restored(
    session: Session,
    action: Callable[[], object],
    *,
    what: str,
    hint: str = "",
    note: str = "",
) -> Iterator[None]:
    """Whatever happens inside, ``action`` puts things back afterwards; see ``put_back``."""
    try:
        yield
    finally:
        put_back(session, action, what=what, hint=hint, note=note)
