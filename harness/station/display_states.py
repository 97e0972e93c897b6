"""What a position shows: a word in big letters, a shape, and what to do next.

The word is read from two metres: letters five rows high are about 25 mm on a common
screen, and a letter is read from two hundred times its height (common practice, no
source). Word and shape say the same, so that colour is never needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from harness.records import Outcome
from harness.station.presence_poll import PresencePoll


class DisplayState(Enum):
    """State of a position: the word, the shape, the colour."""

    STARTING = ("WAIT", "clock", "default")
    PUT_IN = ("PUT IN", "down", "cyan")
    SCAN = ("SCAN", "bars", "cyan")
    TESTING = ("TEST", "clock", "yellow")
    PASSED = ("PASS", "tick", "green")
    FAILED = ("FAIL", "cross", "red")
    ERROR = ("ERROR", "mark", "magenta")
    REFUSED = ("STOP", "hand", "magenta")
    LINE_LOW = ("SHORT", "mark", "magenta")
    UNSTEADY = ("PUSH", "down", "yellow")
    ADAPTER_AWAY = ("CABLE", "mark", "magenta")
    ENDED = ("END", "bars", "default")

    @property
    def word(self) -> str:
        """In capitals, at most six letters."""
        return self.value[0]

    @property
    def shape(self) -> str:
        """Name of the shape beside it."""
        return self.value[1]

    @property
    def colour(self) -> str:
        """Colour on a terminal that has colours."""
        return self.value[2]


VERDICTS = {
    Outcome.PASSED: DisplayState.PASSED,
    Outcome.SKIPPED: DisplayState.ERROR,
    Outcome.FAILED: DisplayState.FAILED,
    Outcome.ERROR: DisplayState.ERROR,
}
"""Verdict -> sign; a test in which everything was skipped proves nothing."""


WAITING = {
    PresencePoll.NOBODY: (DisplayState.PUT_IN, "put the next unit in"),
    PresencePoll.ODD: (
        DisplayState.UNSTEADY,
        "the contact is unsteady: push the unit in fully",
    ),
    PresencePoll.LOW: (
        DisplayState.LINE_LOW,
        "the line is held low: take the unit out; is it shorted, or the wrong way round?",
    ),
}
"""What an empty position shows, by what the last poll found."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What one position shows now.

    Attributes:
        position: its name.
        sign: its state.
        serial: the unit's serial number, empty where none is known.
        headline: one line below the big word.
        words: what to do, whole sentences, the most urgent first.
    """

    position: str
    sign: DisplayState = DisplayState.STARTING
    serial: str = ""
    headline: str = ""
    words: tuple[str, ...] = ()


_LETTERS = {
    "A": ("  #  ", " # # ", "#   #", "#####", "#   #"),
    "B": ("#### ", "#   #", "#### ", "#   #", "#### "),
    "C": (" ####", "#    ", "#    ", "#    ", " ####"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#### ", "#    ", "#####"),
    "F": ("#####", "#    ", "#### ", "#    ", "#    "),
    "H": ("#   #", "#   #", "#####", "#   #", "#   #"),
    "I": ("###", " # ", " # ", " # ", "###"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", " ### "),
    "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
    " ": ("  ", "  ", "  ", "  ", "  "),
}

_SHAPES = {
    "tick": ("      #", "     # ", "#   #  ", " # #   ", "  #    "),
    "cross": ("#     #", "  # #  ", "   #   ", "  # #  ", "#     #"),
    "mark": ("   #   ", "   #   ", "   #   ", "       ", "   #   "),
    "hand": (" ##### ", "#     #", "# ### #", "#     #", " ##### "),
    "down": ("   #   ", "   #   ", "#  #  #", "  ###  ", "   #   "),
    "bars": ("# ## # ", "# ## # ", "# ## # ", "# ## # ", "# ## # "),
    "clock": (" ##### ", "#  #  #", "#  ## #", "#     #", " ##### "),
}

ROWS = 5


def big(sign: DisplayState) -> tuple[str, ...]:
    """The sign's shape and word, five rows of ``#`` and blanks."""
    letters = [_SHAPES[sign.shape], *(_LETTERS[letter] for letter in sign.word)]
    return tuple("  ".join(letter[row] for letter in letters) for row in range(ROWS))


def big_word(sign: DisplayState) -> tuple[str, ...]:
    """The word without its shape, for a narrow window."""
    letters = [_LETTERS[letter] for letter in sign.word]
    return tuple(" ".join(letter[row] for letter in letters) for row in range(ROWS))
