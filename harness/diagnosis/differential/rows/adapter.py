"""Causes in adapter and host: what they bring about, and what excludes them."""

from __future__ import annotations

from harness.diagnosis.differential.cause_row import (
    CauseRow,
    Prediction,
    always,
    never,
)
from harness.diagnosis.finding import Cause
from harness.diagnosis.signs.sign import Sign

ADAPTER_ROWS = (
    CauseRow(
        cause=Cause.ADAPTER,
        kind="lost",
        shows=frozenset({Sign.PORT_LOST}),
        would_show="the host's own log of its USB ports",
    ),
    CauseRow(
        cause=Cause.ADAPTER,
        kind="inverted",
        # each idle level reads as a break, at any rate, one for each character
        shows=frozenset({Sign.ECHO_LOW, Sign.SLOW_ECHO_LOW, Sign.EACH_LOW}),
        predicts=(*always(Sign.SLOW_ECHO_LOW, least=0.9), *never(Sign.ECHOES_MERGED)),
        would_show="the idle line measures near the supply and RX near 0 V",
    ),
    CauseRow(
        cause=Cause.HOST,
        kind="doubled-echo",
        shows=frozenset({Sign.EXTRA_AFTER_FF, Sign.EXTRA_AFTER_00}),
        # what comes in goes out again, whatever it is
        predicts=always(Sign.EXTRA_AFTER_00, Sign.EXTRA_AFTER_FF),
        would_show="it ends with the terminal's echo switched off",
    ),
    CauseRow(
        cause=Cause.HOST,
        kind="terminal-layer",
        shows=frozenset({Sign.EXTRA_AFTER_FF, Sign.CONTROL_CHANGED, Sign.NOT_PROVED}),
        predicts=never(Sign.EXTRA_AFTER_00, Sign.OTHERS_CHANGED, Sign.RATE_OFF),
        would_show="it ends with the port opened raw",
    ),
    CauseRow(
        cause=Cause.ADAPTER,
        kind="wrong-rate",
        shows=frozenset({Sign.RATE_OFF, Sign.RESET_RATE_OFF}),
        would_show="an oscilloscope shows another low time than was asked for",
    ),
    CauseRow(
        cause=Cause.ADAPTER,
        kind="framing",
        shows=frozenset({Sign.RATE_OFF, Sign.RESET_RATE_OFF, Sign.FRAME_LONGER}),
        # parity or a second stop bit makes each character longer by whole bits
        predicts=always(Sign.FRAME_LONGER, least=1.0),
        would_show="the low time is right and characters are further apart: parity or a "
        "second stop bit is set",
    ),
    CauseRow(
        cause=Cause.ADAPTER,
        kind="drops",
        shows=frozenset(
            {
                Sign.BURST_SHORT,
                Sign.SINGLE_LOST,
                Sign.SEARCH_BROKEN,
                Sign.NOT_PROVED,
            }
        ),
        # a lost character changes none of those that come
        predicts=(
            *never(
                Sign.BOUNDARY,
                Sign.SLOTS_HIT,
                Sign.ZEROS_LIFTED,
                Sign.SEARCH_LIFTED,
                Sign.ECHOES_MERGED,
                Sign.ALL_SILENT,
            ),
            # nor does it come later
            Prediction(sign=Sign.CAME_LATE, most=0.5),
        ),
        would_show="losses that end with shorter bursts or another port",
    ),
    CauseRow(
        cause=Cause.ADAPTER,
        kind="packet-boundary",
        shows=frozenset({Sign.BURST_SHORT, Sign.BOUNDARY, Sign.SEARCH_BROKEN}),
        predicts=(
            # a full packet hangs each time, wherever it is in the traffic
            *always(Sign.BOUNDARY, least=1.0),
            *never(Sign.SLOTS_HIT, Sign.SINGLE_LOST),
        ),
        would_show="bursts of 64 hang and those of 63 and 65 do not",
    ),
    CauseRow(
        cause=Cause.ADAPTER,
        kind="latency",
        shows=frozenset({Sign.REPLIES_HELD}),
        would_show="round trips fall with the latency timer",
    ),
    CauseRow(
        cause=Cause.HOST,
        kind="late-now-and-then",
        shows=frozenset({Sign.REPLIES_LATE, Sign.CAME_LATE}),
        would_show="fewer late replies with nothing else running",
    ),
    CauseRow(
        cause=Cause.ADAPTER,
        kind="stalls",
        shows=frozenset({Sign.REPLIES_LATE, Sign.CAME_LATE}),
        would_show="late replies that stay on an idle host and go with another adapter",
    ),
    CauseRow(
        cause=Cause.ADAPTER,
        kind="push-pull",
        shows=frozenset({Sign.HIGH_UNFED}),
        would_show="shorting the data line by a finger does not change the echo",
    ),
    CauseRow(
        cause=Cause.SUPPLY,
        kind="fed-from-elsewhere",
        shows=frozenset({Sign.HIGH_UNFED}),
        would_show="the line falls when the devices' own supplies are off too",
    ),
    CauseRow(
        cause=Cause.ADAPTER,
        kind="supply-blinks",
        shows=frozenset({Sign.LOST_AT_OPENING, Sign.ONLY_AT_OPENING}),
        predicts=always(Sign.LOST_AT_OPENING, least=0.9),
        would_show="the bus supply dips on a scope when the port is opened",
    ),
)
