"""An adapter that went away in the middle of a run, waited for and opened again."""

from __future__ import annotations

from harness.errors import AdapterError, AdapterUnplugged, PortAbsent, PortBusy
from harness.plans.steps.context import Context
from harness.records import CheckResult

_PATIENCE_S = 5.0
"""An adapter that was lost is waited for so long, before the next step goes on."""

_REOPEN_EVERY_S = 0.5

_LOST_KINDS = frozenset(kind.kind for kind in (AdapterUnplugged, PortAbsent, PortBusy))


def tells_of_loss(result: CheckResult) -> bool:
    """True of a result that came about because the adapter is gone."""
    return result.kind in _LOST_KINDS


class AdapterLoss:
    """Whether the adapter of a run is gone, and how long it is still waited for."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._is_lost = False
        self._patience_s = 0.0

    def take(self, result: CheckResult) -> None:
        """Note from a result that the adapter is gone."""
        if tells_of_loss(result):
            if not self._is_lost:
                self._patience_s = _PATIENCE_S
            self._is_lost = True

    def bring_back(self) -> None:
        """Open the adapter again if it was lost.

        Raises:
            AdapterError: it is not back.
        """
        if not self._is_lost:
            return
        # a hub takes its time; after that, one attempt for each step is enough
        clock = self._context.clock
        until_s = clock.now_s() + self._patience_s
        self._patience_s = 0.0
        while True:
            try:
                self._context.bring_adapter_back()
                break
            except AdapterError:
                if clock.now_s() >= until_s:
                    raise
            clock.sleep(_REOPEN_EVERY_S)
        self._is_lost = False
        self._context.note("note", text="the adapter was opened again")
