"""Causes in single devices and in what feeds them."""

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

_NOW_AND_THEN = (
    # a contact that is open in four of five searches is an absent device to a technician
    Prediction(sign=Sign.SEARCH_LOST, most=0.8),
    Prediction(sign=Sign.SAME_WRONG_BLOCK, most=0.3),
    # what spoils four of five commands leaves no search of 200 slots whole
    Prediction(sign=Sign.NOT_HEARD, most=0.8),
)

DEVICE_ROWS = (
    CauseRow(
        cause=Cause.DEVICE,
        kind="absent",
        shows=frozenset({Sign.SEARCH_LOST}),
        predicts=(
            *always(Sign.SEARCH_LOST, least=1.0),
            *never(Sign.LONG_RESET_HEARD, Sign.PAUSE_HEARD),
        ),
        would_show="a known-good device in the socket is found",
    ),
    CauseRow(
        cause=Cause.BUS_WIRING,
        kind="branch",
        shows=frozenset(
            {
                Sign.SEARCH_LOST,
                Sign.SCAN_MISSED,
                Sign.ALONE,
                Sign.BLOCK_WRONG,
                Sign.BLOCK_OPEN,
                Sign.TORN,
                Sign.FLIPS_UP,
                Sign.FLIPS_DOWN,
                Sign.NOT_HEARD,
                Sign.LOWS_MISSED,
            }
        ),
        # a dip of the edge takes no supply, and comes now and then; a command that it spoils
        # leaves the power-on value with the marker kept
        predicts=(
            *never(Sign.MARKER_GONE, Sign.MISSED_BY_ALL),
            CONTACT_LIFTS_NONE,
            *_NOW_AND_THEN,
        ),
        would_show="losses that go with its stub",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="loose-contact",
        shows=frozenset(
            {
                Sign.SEARCH_LOST,
                Sign.SCAN_MISSED,
                Sign.ONLY_ONE_SILENT,
                Sign.SEARCH_BROKEN,
                Sign.ALONE,
                Sign.BLOCK_OPEN,
                Sign.MARKER_GONE,
                Sign.WENT,
                Sign.NOT_HEARD,
                Sign.POWER_ON_VALUE,
                Sign.IDLE_RESTART,
            }
        ),
        predicts=(
            Prediction(sign=Sign.SEARCH_LOST, most=0.8),
            *_NOW_AND_THEN[1:],
            # a lead opens at any time, whatever the device does, and takes it out of step
            # until the next reset
            *never(Sign.RESTARTS_IN_WORK, Sign.LOWS_MISSED),
            # and takes nobody else out
            *never(Sign.LOST_TOGETHER),
            CONTACT_LIFTS_NONE,
        ),
        would_show="it comes and goes as the lead is moved",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="duplicate",
        shows=frozenset({Sign.SAME_WRONG_BLOCK, Sign.BLOCK_WRONG, Sign.FLIPS_DOWN}),
        predicts=(*always(Sign.SAME_WRONG_BLOCK), *never(Sign.FLIPS_UP)),
        would_show="with one of two devices of this code taken off the block is right",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="weak-low",
        shows=frozenset({Sign.FLIPS_UP, Sign.BLOCK_WRONG, Sign.TORN, Sign.LOWS_MISSED}),
        # its own lows do not reach low enough; it pulls nobody's ones
        predicts=never(
            Sign.FLIPS_DOWN, Sign.ONES_CHANGED, Sign.ZEROS_LIFTED, Sign.MISSED_BY_ALL
        ),
        would_show="its lows measure above 0.4 V; they go with another device in its position",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="damaged-memory",
        shows=frozenset({Sign.SAME_WRONG_BLOCK, Sign.BLOCK_WRONG}),
        predicts=always(Sign.SAME_WRONG_BLOCK),
        would_show="the block stays wrong with this device alone on the bus",
    ),
    CauseRow(
        cause=Cause.BUS_WIRING,
        kind="low-while-reading",
        shows=frozenset({Sign.BLOCK_ZERO}),
        would_show="the line measures low while this device is read",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="rom-code",
        shows=frozenset({Sign.ODD_CODE_STAYS}),
        would_show="it goes with one device taken off",
    ),
    CauseRow(
        cause=Cause.SUPPLY,
        kind="restart",
        shows=frozenset(
            {
                Sign.POWER_ON_VALUE,
                Sign.MARKER_GONE,
                Sign.LOST_AT_OPENING,
                Sign.PULLS_IN_WORK,
                Sign.PULLED_MEANWHILE,
                Sign.RESTARTS_IN_WORK,
            }
        ),
        # what restarted has lost its settings with its value
        # and a supply of its own, which it says
        predicts=never(Sign.ONLY_AT_OPENING, Sign.NEVER_BEGAN, Sign.SAYS_BUS_POWER),
        would_show="the supply at the probe dips while it converts",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="true-85",
        shows=frozenset({Sign.POWER_ON_VALUE}),
        # a value that was measured takes no marker away, and was heard to begin
        predicts=never(Sign.MARKER_GONE, Sign.NOT_HEARD),
        would_show="a thermometer beside it",
    ),
    CauseRow(
        cause=Cause.CONFIGURATION,
        kind="reloaded",
        shows=frozenset({Sign.MARKER_GONE, Sign.LOST_AT_OPENING, Sign.IDLE_RESTART}),
        predicts=never(Sign.ONLY_AT_OPENING, Sign.RESTARTS_IN_WORK),
        would_show="settings that stay once they are stored",
    ),
    CauseRow(
        cause=Cause.SUPPLY,
        kind="supply-pin-open",
        shows=frozenset({Sign.ABOVE_RANGE, Sign.VALUES_JUMP}),
        predicts=always(Sign.ABOVE_RANGE, least=0.1),
        would_show="it goes with the supply pin tied to ground",
    ),
    CauseRow(
        cause=Cause.SUPPLY,
        kind="brown-out",
        shows=frozenset({Sign.VALUES_JUMP, Sign.ABOVE_RANGE}),
        would_show="values agree when one device converts at a time",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="wanders",
        shows=frozenset({Sign.VALUES_JUMP}),
        would_show="values that jump with a supply of its own too",
    ),
    CauseRow(
        cause=Cause.SUPPLY,
        kind="no-strong-pull-up",
        shows=frozenset({Sign.SAYS_BUS_POWER, Sign.POWER_ON_VALUE, Sign.MARKER_GONE}),
        # all that live on the line say so; by Ohm's law what it cannot feed at once it
        # never feeds at once, and may feed one by one
        predicts=(
            *always(Sign.SAYS_BUS_POWER, Sign.OTHERS_BUS_POWER, least=0.9),
            *always(Sign.POWER_ON_TOGETHER, least=1.0),
        ),
        would_show="conversions end with a strong pull-up",
    ),
    CauseRow(
        cause=Cause.SUPPLY,
        kind="third-wire",
        shows=frozenset(
            {
                Sign.SAYS_BUS_POWER,
                Sign.POWER_ON_VALUE,
                Sign.MARKER_GONE,
                Sign.RESTARTS_IN_WORK,
                Sign.NOT_HEARD,
                Sign.NEVER_BEGAN,
            }
        ),
        # some clones answer the query wrongly
        predicts=(
            Prediction(sign=Sign.OTHERS_BUS_POWER, most=0.5),
            # it cannot pull the line for busy; it converts, restarts as the line goes down
            # under it, or gives up at once and keeps its settings
            *never(Sign.BUSY_SEEN),
        ),
        would_show="its supply pin measures near 0 V",
        alike="third wire",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="says-bus-power",
        shows=frozenset({Sign.SAYS_BUS_POWER, Sign.BUSY_SEEN}),
        # a part with a supply of its own converts as ever, and pulls the line for busy
        predicts=(
            *never(Sign.POWER_ON_VALUE, Sign.MARKER_GONE),
            *always(Sign.BUSY_SEEN, least=0.95),
        ),
        would_show="its supply pin measures the supply: it answers the query wrongly",
    ),
    CauseRow(
        cause=Cause.SUPPLY,
        kind="supply-differs",
        shows=frozenset({Sign.SAYS_BUS_POWER}),
        # fed from the line it cannot pull it for busy; and the line is strong enough
        predicts=(
            *always(Sign.SAYS_BUS_POWER, least=0.9),
            *never(Sign.BUSY_SEEN),
            Prediction(sign=Sign.POWER_ON_VALUE, most=0.5),
        ),
        would_show="its supply pin measures near 0 V",
        alike="third wire",
    ),
    CauseRow(
        cause=Cause.NOISE,
        kind="command-lost",
        shows=frozenset({Sign.NOT_HEARD, Sign.NEVER_BEGAN}),
        predicts=_NOW_AND_THEN[2:],
        would_show="later commands are heard",
        alike="noise",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="deaf-to-convert",
        shows=frozenset({Sign.NOT_HEARD, Sign.NEVER_BEGAN, Sign.POWER_ON_VALUE}),
        # it keeps what it holds
        predicts=(*always(Sign.NOT_HEARD, least=1.0), *never(Sign.MARKER_GONE)),
        would_show="no command is ever heard",
    ),
    CauseRow(
        cause=Cause.SUPPLY,
        kind="slow-conversion",
        shows=frozenset({Sign.BUSY_LONG}),
        would_show="the time falls with a good supply at the probe",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="slow-conversion",
        shows=frozenset({Sign.BUSY_LONG}),
        would_show="the time stays with a good supply at the probe",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="deaf-to-commands",
        shows=frozenset({Sign.DEAF}),
        would_show="a known-good device in the socket answers",
    ),
    CauseRow(
        cause=Cause.NOISE,
        kind="constants-moved",
        shows=frozenset({Sign.CONSTANTS_MOVED}),
        would_show="the constants are its own again in the next reading",
        alike="noise",
    ),
    CauseRow(
        cause=Cause.NOISE,
        kind="address-damaged",
        shows=frozenset({Sign.TORN}),
        would_show="the CRC is right for a command or address one flip away",
        alike="noise",
    ),
    CauseRow(
        cause=Cause.NOISE,
        kind="torn-answer",
        shows=frozenset({Sign.TORN}),
        would_show="other devices fail as often",
        alike="noise",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="wrong-check",
        shows=frozenset({Sign.TORN}),
        predicts=always(Sign.TORN, least=0.3),
        alike="answers",
        would_show="a known-good device in its socket answers right",
    ),
    CauseRow(
        cause=Cause.DEVICE,
        kind="odd-answer",
        shows=frozenset({Sign.TORN}),
        predicts=always(Sign.TORN, least=0.3),
        alike="answers",
        would_show="a known-good device in its socket answers right",
    ),
)
