"""Causes on the line: levels, edges, noise, who else speaks."""

from __future__ import annotations

from harness.diagnosis.differential.cause_row import (
    CONTACT_LIFTS_NONE,
    CauseRow,
    Prediction,
    always,
    never,
)
from harness.diagnosis.finding import Cause
from harness.diagnosis.signs.sign import Sign

_NOISE_SHOWS = frozenset(
    {
        Sign.ONES_CHANGED, Sign.ZEROS_LIFTED, Sign.HIT_ANYWHERE, Sign.BURST_SHORT, Sign.SINGLE_LOST,
        Sign.SEARCH_BROKEN, Sign.BLOCK_WRONG, Sign.FLIPS_UP, Sign.FLIPS_DOWN, Sign.TORN, Sign.SEARCH_LOST,
        Sign.IDLE_CHARACTERS, Sign.ODD_CODE_FLEETS, Sign.NOT_HEARD, Sign.NOT_PROVED, Sign.PULLED_IN_ZEROS,
        Sign.SCAN_MISSED, Sign.SEARCH_LIFTED, Sign.LOWS_MISSED, Sign.MISSED_BY_ALL, Sign.BLOCK_OPEN, Sign.ALL_SILENT, Sign.ONLY_ONE_SILENT,
    }
)  # fmt: skip
_NOISE_PREDICTS = (
    # as many however late the sample, never all, and of every device alike
    *never(
        Sign.ERRORS_FALL,
        Sign.ALONE,
        Sign.TORN_ALONE,
        Sign.BOUNDARY,
        Sign.IDLE_TRANSACTIONS,
        Sign.LOST_UNCHANGED,
        Sign.SILENT_BEYOND,
    ),
    Prediction(sign=Sign.SAME_WRONG_BLOCK, most=0.3),
    Prediction(sign=Sign.NOT_HEARD, most=0.8),
    Prediction(sign=Sign.ONES_CHANGED, most=0.9),
    Prediction(sign=Sign.PULLED_IN_ZEROS, most=0.5),
    Prediction(sign=Sign.EXTRA_AFTER_FF, most=0.5),
)
_NOISE_TELLS = "changes that come when something switches nearby, of all devices alike"


def _noise(kind: str, *more: Prediction) -> CauseRow:
    return CauseRow(
        cause=Cause.NOISE,
        kind=kind,
        shows=_NOISE_SHOWS,
        predicts=(*_NOISE_PREDICTS, *more),
        would_show=_NOISE_TELLS,
        alike="noise",
    )


_COMMON_SHOWS = frozenset(
    {
        Sign.LOST_TOGETHER,
        Sign.ALL_SILENT,
        Sign.ONLY_ONE_SILENT,
        Sign.SEARCH_LOST,
        Sign.SCAN_MISSED,
        Sign.SEARCH_BROKEN,
        Sign.BLOCK_OPEN,
        Sign.NOT_HEARD,
    }
)
_COMMON = (
    # what all share is lost for all at once, and not for good
    *always(Sign.ALL_SILENT, least=0.02),
    # and who was away is out of step until the next reset
    *never(Sign.ALONE, Sign.MISSED_BY_ALL),
    CONTACT_LIFTS_NONE,
    Prediction(sign=Sign.SEARCH_LOST, most=0.8),
    Prediction(sign=Sign.NOT_HEARD, most=0.8),
)

LINE_ROWS = (
    CauseRow(
        cause=Cause.BUS_WIRING,
        kind="stuck-low",
        shows=frozenset(
            {Sign.ECHO_LOW, Sign.SLOW_ECHO_LOW, Sign.SILENT_LATER, Sign.ECHOES_MERGED}
        ),
        # a line that stays low gives one break, however many characters are sent
        predicts=never(Sign.EACH_LOW, Sign.RESET_HELD),
        would_show="the idle line measures near 0 V",
    ),
    CauseRow(
        cause=Cause.BUS_WIRING,
        kind="second-master",
        shows=frozenset(
            {Sign.IDLE_TRANSACTIONS, Sign.IDLE_CHARACTERS, Sign.PULLED_MEANWHILE}
        ),
        # what transacts sends the same each time, and more than a pull
        predicts=never(Sign.IDLE_UNEVEN, Sign.IDLE_PULLS, Sign.PULLS_IN_WORK),
        would_show="bursts of even length at a steady period",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="signals",
        shows=frozenset({Sign.IDLE_PULLS, Sign.PULLED_MEANWHILE}),
        # they come whatever is asked
        predicts=never(Sign.PULLS_IN_WORK),
        would_show="the pulls end when the alarm of that device is cleared",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="comes-and-goes",
        shows=frozenset({Sign.IDLE_PULLS, Sign.PULLED_MEANWHILE}),
        # they come whatever is asked
        predicts=never(Sign.PULLS_IN_WORK),
        would_show="a device that restarts or is missed at the same times",
    ),
    _noise("spikes"),
    _noise("idle-spikes"),
    _noise("pulled-highs", *never(Sign.ZEROS_LIFTED)),
    _noise("lifted-lows"),
    CauseRow(
        cause=Cause.BUS_WIRING,
        kind="pull-up",
        shows=frozenset(
            {
                Sign.ONES_CHANGED,
                Sign.RISE_LONG,
                Sign.ECHOES_MERGED,
                Sign.BURST_SHORT,
                Sign.SEARCH_BROKEN,
            }
        ),
        predicts=(*always(Sign.RISE_LONG, least=1.0), *never(Sign.ERRORS_STAY)),
        would_show="the resistor measures some times its value",
    ),
    CauseRow(
        cause=Cause.BUS_WIRING,
        kind="slow-edge",
        shows=frozenset(
            {
                Sign.ONES_CHANGED,
                Sign.BLOCK_ZERO,
                Sign.BLOCK_WRONG,
                Sign.FLIPS_DOWN,
                Sign.SEARCH_BROKEN,
                Sign.ERRORS_FALL,
                Sign.ODD_CODE_STAYS,
                Sign.ODD_CODE_FLEETS,
                Sign.MARGIN_THIN,
                Sign.PULLED_IN_ZEROS,
                Sign.NOT_PROVED,
                # a device that samples early reads another command than was sent
                Sign.SEARCH_LOST,
            }
        ),
        # a rise is over by a later sample, low from the first bit on, and lifts no low;
        # an edge that is quick for the receiver is quick enough for every device
        predicts=(
            *always(Sign.MARGIN_THIN, least=1.0),
            *never(
                Sign.HIT_ANYWHERE,
                Sign.ERRORS_STAY,
                Sign.RISE_LONG,
                Sign.ZEROS_LIFTED,
                Sign.FLIPS_UP,
                Sign.LOST_UNCHANGED,
            ),
        ),
        would_show="errors that go with a pull-up of 1 to 1.5 kohm or a shorter cable",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="stretches-reset",
        shows=frozenset({Sign.RESET_HELD, Sign.PRESENCE_LONG, Sign.PAUSE_HEARD}),
        predicts=always(Sign.RESET_HELD),
        would_show="resets are short again without that device, or with its alarm cleared",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="long-presence",
        shows=frozenset({Sign.PRESENCE_LONG, Sign.PAUSE_HEARD}),
        would_show="presence is short again without that device",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="late-presence",
        shows=frozenset({Sign.PRESENCE_HIDDEN}),
        would_show="presence at 7200 baud and none at 9600",
    ),
    CauseRow(
        cause=Cause.CONFIGURATION,
        kind="left-in-fast-mode",
        shows=frozenset(
            {
                Sign.PULLED_IN_ZEROS,
                Sign.EXTRA_AFTER_00,
                Sign.LONG_RESET_HEARD,
                Sign.SEARCH_LOST,
            }
        ),
        # a part in fast mode takes a long low for a reset, never a short one; it is heard
        # at its own speed, and behind a low that even it takes for a standard reset
        predicts=(
            # it pulls more lows and lifts none
            *never(Sign.EXTRA_AFTER_FF, Sign.PAUSE_HEARD, Sign.LOWS_MISSED),
            Prediction(sign=Sign.ONES_CHANGED, most=0.1),
            *always(Sign.LONG_RESET_HEARD, least=1.0),
        ),
        would_show="it stops after a reset of 694 us",
    ),
    CauseRow(
        cause=Cause.BUS_WIRING,
        kind="low-in-search",
        shows=frozenset(
            {
                Sign.SEARCH_LOW,
                Sign.ZERO_CODE,
                Sign.PULLED_MEANWHILE,
                Sign.PULLS_IN_WORK,
            }
        ),
        predicts=never(Sign.ZERO_BESIDE),
        would_show="the line measures low while a search runs",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="zero-rom",
        shows=frozenset({Sign.ZERO_CODE}),
        would_show="it goes with one device taken off",
    ),
    CauseRow(
        cause=Cause.NOISE,
        kind="slip",
        shows=frozenset({Sign.SLIPPED}),
        would_show="the same bits one position on",
        alike="noise",
    ),
    CauseRow(
        cause=Cause.NOISE,
        kind="phantom",
        shows=frozenset({Sign.ODD_CODE_FLEETS}),
        would_show="the code comes in no directed search",
        alike="noise",
    ),
    CauseRow(
        cause=Cause.BUS_WIRING,
        kind="common-loss",
        shows=_COMMON_SHOWS,
        predicts=_COMMON,
        would_show="what these devices share: connector, ground, branch",
    ),
    CauseRow(
        cause=Cause.SUPPLY,
        kind="vanished-together",
        shows=_COMMON_SHOWS,
        predicts=_COMMON,
        would_show="the supply that these devices share dips when they are missed",
    ),
)
