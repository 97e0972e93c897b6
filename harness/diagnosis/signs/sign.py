"""An observable, what was observed of it, and the exact tests that causes are held to.

A cause predicts how often an observable shows. Whether a count can come of a predicted
rate is asked of the binomial distribution itself, never of a rule of thumb.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from harness.quality.rates import chance_to_prove, proportion_bounds

ERROR = 0.01
"""Chance at most of excluding a cause that is there, at one prediction: with it, what is
left alone as "certain" is right in 99 of 100."""


class Sign(StrEnum):
    """Observables, in the order of the probes that fill them."""

    # adapter and host
    PORT_LOST = "the port went away"
    NO_ECHO = "characters without any echo"
    ECHO_LOW = "FFh that echoes 00h at the slot rate"
    SLOW_ECHO_LOW = "FFh that echoes 00h at 9600 baud"
    EACH_LOW = "bursts of FFh that come back as one 00h for each"
    ECHOES_MERGED = "characters of a burst that came back as one"
    EXTRA_AFTER_FF = "single FFh with a character more behind it"
    EXTRA_AFTER_00 = "single 00h with a character more behind it"
    CONTROL_CHANGED = "control characters changed or lost"
    OTHERS_CHANGED = "other characters changed or lost"
    RATE_OFF = "slot rate off"
    RESET_RATE_OFF = "rate of the resets off"
    FRAME_LONGER = "time of a character by a whole number of bits off"
    NOT_PROVED = "the self-check of the slots failed"
    BURST_SHORT = "bursts that lost characters"
    BOUNDARY = "bursts that hang at the end of full packets"
    SINGLE_LOST = "single characters lost"
    REPLIES_HELD = "replies held back"
    REPLIES_LATE = "replies much later than most"
    CAME_LATE = "bursts whose missing echoes came later"
    HIGH_UNFED = "line high with its supply off"
    LOST_AT_OPENING = "settings gone after the port was opened"
    ONLY_AT_OPENING = "settings gone at openings of the port and at no other time"
    # idle line and resets
    IDLE_TRANSACTIONS = "whole transactions on the idle line"
    IDLE_UNEVEN = "groups of characters of uneven length on the idle line"
    IDLE_PULLS = "lone long pulls on the idle line"
    PULLED_MEANWHILE = "long pulls of the line that no device was asked for"
    PULLS_IN_WORK = "such pulls in one probe beyond those in others"
    IDLE_CHARACTERS = "characters on the idle line"
    SIGNALS_NOW = "devices that answer the alarm search behind a stretched reset"
    RESET_HELD = "resets held low, then presence"
    PRESENCE = "resets that a device answered"
    PRESENCE_HIDDEN = "presence seen at one rate of the reset only"
    PRESENCE_LONG = "presence longer than it may be"
    SILENT_LATER = "echoes at first and none later"
    # slots
    ONES_CHANGED = "ones that came back low"
    SLOTS_HIT = "slots that came back changed"
    ZEROS_LIFTED = "zeros that came back high"
    ERRORS_FALL = "changed ones get fewer as the sample moves later"
    ERRORS_STAY = "changed ones are as many however late the sample"
    HIT_ANYWHERE = "changed ones that are low in the middle of the character"
    RISE_LONG = "rise longer than any cable makes it"
    PULLED_IN_ZEROS = "pulls right after long lows"
    PULLED_AFTER_LONG_RESET = "such pulls after a long reset"
    # search
    MARGIN_THIN = "little time between the rise and the earliest sample of a device"
    LOST_UNCHANGED = "characters lost while those that come are unchanged"
    PULLED_FAST_AFTER = "overdrive resets pulled after a long reset"
    SEARCH_LOW = "searches that read zeros throughout"
    SEARCH_BROKEN = "searches that ended in an error"
    ZERO_CODE = "scans with a ROM code of zeros"
    ZERO_BESIDE = "scans with a ROM code of zeros beside right ones"
    ODD_CODE_STAYS = "scans with the same impossible ROM code"
    ODD_CODE_FLEETS = "ROM codes that no directed search proves"
    LOST_TOGETHER = "scans that lost several devices at once"
    ALL_SILENT = "resets without an answer on a bus of several devices"
    ONLY_ONE_SILENT = "resets without an answer on a bus of one device"
    SILENT_BEYOND = "more resets without an answer than searches broken in their slots"
    NEWCOMER = "devices that came during the examination"
    WENT = "devices that went during the examination"
    SLIPPED = "answers moved by one slot"
    # one device
    SEARCH_LOST = "directed searches without answer"
    SCAN_MISSED = "searches of the bus that missed it"
    LOWS_MISSED = "directed searches that missed single lows of a device in step"
    MISSED_BY_ALL = "such searches at every device"
    SEARCH_LIFTED = "failed searches in which a zero of the host came back high"
    OTHERS_LOST = "directed searches of other devices without answer"
    PAUSE_HEARD = (
        "searches answered only once the line had time to rise behind the reset"
    )
    LONG_RESET_HEARD = (
        "searches answered behind a longer reset, or at overdrive speed, only"
    )
    ALONE = "losses of this device beyond those of the others"
    SAME_WRONG_BLOCK = "blocks with a wrong CRC, always the same"
    BLOCK_ZERO = "blocks of zeros"
    BLOCK_OPEN = "blocks that end in ones, as of a line that no device drives"
    BLOCK_WRONG = "blocks with a wrong CRC"
    FLIPS_UP = "bits turned from 0 to 1"
    FLIPS_DOWN = "bits turned from 1 to 0"
    ODD_CONSTANTS = "constants other than the data sheet's"
    CONSTANTS_MOVED = "blocks whose own constants changed"
    POWER_ON_VALUE = "power-on values after a conversion"
    POWER_ON_TOGETHER = "power-on values after a conversion of all at once"
    MARKER_GONE = "markers gone from the volatile settings"
    RESTARTS_IN_WORK = "restarts while it converts beyond those while it idles"
    IDLE_RESTART = "restarts while no device works"
    ABOVE_RANGE = "values above the range"
    VALUES_JUMP = "values that do not agree with each other"
    NEVER_BEGAN = "power-on values with the settings still in place"
    NOT_HEARD = "convert commands without busy"
    BUSY_LONG = "conversions longer than the published time"
    BUSY_SHORT = "conversions far shorter than originals need"
    BUSY_SEEN = "conversions in which the device pulled the line for busy"
    SAYS_BUS_POWER = "power queries answered with bus power"
    OTHERS_BUS_POWER = "power queries of others answered with bus power"
    DEAF = "function commands without answer"
    TORN = "answers that did not hold"
    TORN_ALONE = "such answers beyond those of other devices"
    OTHERS_TORN = "answers of other devices that did not hold"


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """How often an observable showed.

    Attributes:
        sign: which.
        hits: how often.
        of: in how many tries.
        text: the numbers in words.
        chance: how often it shows where nothing is wrong.
        device: ROM code of the device that it is about; empty if about the bus.
    """

    sign: Sign
    hits: int
    of: int
    text: str
    chance: float = 0.0
    device: str = ""

    @property
    def seen(self) -> bool:
        """True if it showed more often than where nothing is wrong."""
        if not self.hits:
            return False
        return not self.chance or not self.may_be_at_most(self.chance)

    @property
    def interval(self) -> tuple[float, float]:
        """Exact 95 % interval of its share."""
        found = proportion_bounds(errors=self.hits, trials=self.of)
        return found.low, found.high

    def may_be_at_least(self, rate: float) -> bool:
        """False if so few hits come of such a rate in one of a hundred cases at most."""
        if rate >= 1.0:
            return self.hits == self.of
        chance = chance_to_prove(
            true_rate=rate, trials=self.of, errors_allowed=self.hits
        )
        return chance > ERROR

    def may_be_at_most(self, rate: float) -> bool:
        """False if so many hits come of such a rate in one of a hundred cases at most."""
        if not self.hits:
            return True
        if rate <= 0.0:
            return False
        fewer = chance_to_prove(
            true_rate=rate, trials=self.of, errors_allowed=self.hits - 1
        )
        return 1 - fewer > ERROR


@dataclass(frozen=True, slots=True)
class Observations:
    """All that was observed, by observable and device."""

    by_key: Mapping[tuple[Sign, str], Observation] = field(default_factory=dict)

    @classmethod
    def of(cls, found: Iterable[Observation]) -> Observations:
        """From observations; what was never tried is left out."""
        return cls({(o.sign, o.device): o for o in found if o.of > 0})

    def get(self, sign: Sign, device: str = "") -> Observation | None:
        """Of a device, or of the bus where the device has none of its own."""
        return self.by_key.get((sign, device)) or self.by_key.get((sign, ""))

    def seen(self, signs: Iterable[Sign], device: str = "") -> Iterator[Observation]:
        """Those of these observables that showed."""
        for sign in signs:
            found = self.get(sign, device)
            if found is not None and found.seen:
                yield found
