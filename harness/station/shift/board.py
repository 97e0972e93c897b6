"""What the operator sees: each position in big letters, the shift's counts below.

On a terminal the positions stand side by side and change as they go; anywhere else each
verdict and each finding is one plain line.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from threading import Lock
from types import TracebackType
from typing import Self

from rich import box
from rich.columns import Columns
from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from harness.results.wording import one_line
from harness.station.display_states import DisplayState, View, big, big_word
from harness.station.shift.tally import ShiftTally

_REDRAWS_PER_S = 5
_KEPT_REMARKS = 3
_FRAME_CELLS = 4
_BOXES = {
    DisplayState.PASSED: box.DOUBLE,
    DisplayState.FAILED: box.HEAVY,
    DisplayState.ERROR: box.ASCII,
}
_PLAIN_SIGNS = frozenset(
    {
        DisplayState.PASSED, DisplayState.FAILED, DisplayState.ERROR, DisplayState.REFUSED, DisplayState.LINE_LOW, DisplayState.UNSTEADY,
        DisplayState.ADAPTER_AWAY,
    }
)  # fmt: skip


class Board:
    """Shows the positions of a station; safe to call from all of them.

    Args:
        console: where to.
        positions: names of the positions, in order.
        tally: the shift's counts.
        simulated: True if it is a rehearsal, which the board says all along.
    """

    def __init__(
        self,
        console: Console,
        positions: Iterable[str],
        tally: ShiftTally,
        *,
        simulated: bool = False,
    ) -> None:
        self._simulated = simulated
        self._typed = ""
        self._console = console
        self._tally = tally
        self._lock = Lock()
        self._views = {position: View(position=position) for position in positions}
        self._remarks: deque[str] = deque(maxlen=_KEPT_REMARKS)
        self._answers: deque[str] = deque(maxlen=_KEPT_REMARKS)
        self._live: Live | None = None
        if console.is_terminal and not console.is_dumb_terminal:
            self._live = Live(
                console=console,
                get_renderable=self.picture,
                refresh_per_second=_REDRAWS_PER_S,
                transient=True,
            )

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def show(self, view: View) -> None:
        """Take in what a position shows now."""
        with self._lock:
            if view.sign is not self._views[view.position].sign:
                self._answers.clear()  # they were about what was shown before
            self._views[view.position] = view
            if self._live is None and view.sign in _PLAIN_SIGNS:
                self._console.print(Text(_line(view)), soft_wrap=True)

    def say(self, sentence: str) -> None:
        """One sentence about the station as a whole."""
        with self._lock:
            self._remarks.append(one_line(sentence))
            if self._live is None:
                self._console.print(Text(one_line(sentence)), soft_wrap=True)

    def answer(self, sentence: str) -> None:
        """What the station says to a scan; gone as soon as a position shows something new."""
        with self._lock:
            self._answers.append(one_line(sentence))
            if self._live is None:
                self._console.print(Text(one_line(sentence)), soft_wrap=True)

    @property
    def is_live(self) -> bool:
        """True if the board is redrawn on a terminal."""
        return self._live is not None

    def show_typed(self, text: str) -> None:
        """What was typed of a scan so far, for a terminal that does not echo it."""
        with self._lock:
            self._typed = one_line(text)

    def picture(self) -> Group:
        """The whole screen."""
        with self._lock:
            views = list(self._views.values())
            remarks = [*self._remarks, *self._answers]
            if self._typed:
                remarks.append(f"typed: {self._typed}")
        width = max(30, self._console.width // max(1, len(views)) - 1)
        panels = Columns([_panel(view, width) for view in views], padding=(0, 0))
        return Group(panels, self._counts_line(), *map(Text, remarks))

    def _counts_line(self) -> Text:
        counts = self._tally.counts()
        top = "; ".join(f"{number} x {what}" for what, number in counts.top_failures)
        simulated = "SIMULATED  " if self._simulated or counts.simulated else ""
        units = f"{counts.units} {'unit' if counts.units == 1 else 'units'}"
        line = f"{simulated}{units}  first-pass yield {counts.yield_text}"
        line += f"  {counts.rate_text}" if counts.rate_text else ""
        return Text(line + (f"  top failures: {top}" if top else ""), style="bold")


def _panel(view: View, width: int) -> Panel:
    room = width - _FRAME_CELLS
    rows = next(
        (
            rows
            for rows in (big(view.sign), big_word(view.sign))
            if len(rows[0]) <= room
        ),
        (view.sign.word,),
    )
    body = Text("\n".join(rows), style=f"bold {view.sign.colour}", no_wrap=True)
    words = Text("\n".join(map(one_line, (view.headline, *view.words))))
    return Panel(
        Group(body, Text(one_line(view.serial) or " ", style="bold"), words),
        title=view.position,
        width=width,
        box=_BOXES.get(view.sign, box.ROUNDED),
        border_style=view.sign.colour,
    )


def _line(view: View) -> str:
    words = " | ".join(map(one_line, view.words))
    serial = f"  {one_line(view.serial)}" if view.serial else ""
    line = f"{view.sign.word:<6} {view.position}{serial}  {one_line(view.headline)}"
    return f"{line}  {words}".rstrip()
