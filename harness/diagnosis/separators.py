"""The probes that only tell standing causes apart, each with what it fills and costs.

On the line they address nobody; those of devices store nothing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any, Protocol

from harness.diagnosis.evidence.bus import DeviceFacts, Evidence
from harness.diagnosis.evidence.probed import LookFacts
from harness.diagnosis.probes import line as probes_line
from harness.diagnosis.probes.devices import DeviceProbes
from harness.diagnosis.probes.raw_link import RawLink
from harness.diagnosis.probes.searches import count_verified
from harness.diagnosis.probes.separating import (
    answers_alarm_search,
    around_packets,
    climb_ladder,
    send_characters,
    share_changed,
)
from harness.diagnosis.separation import Separator
from harness.diagnosis.signs.devices import scans_missed
from harness.diagnosis.signs.line import is_thin
from harness.diagnosis.signs.sign import Sign
from harness.wire.romcode import RomCode

_IDLE_LOOKS = 6
"""Against a restart in each of three conversions and more, none in six pauses as long
happens to a device that restarts at any time in one of 84 examinations."""

_MORE_SEARCHES = 90
"""With those before, a loss in 40 searches of a device escapes one time in 20."""

_UNSEEN = 0.004
"""Share of changed ones to look for where the ruler saw none, so that the ladder takes as many
slots as the ruler: 4000 without one leave less than 0.1 % at its own sample."""

_ROUND_S = 0.1
"""Of such a round at least, 9 s in all: a lead that opens once in 3 s, for a round or longer, is met
but in one of 20 examinations (e^-3)."""


def _lost_by_devices(evidence: Evidence) -> bool:
    """True if devices miss searches; what adapter and line do to all is counted there."""
    adapter, line = evidence.adapter, evidence.line
    common = adapter is None or line is None or adapter.burst_missing
    if common or (line is not None and share_changed(line.ones)):
        return False
    return any(
        0 < d.verified < d.verifies or scans_missed(d, evidence.scans)[0]
        for d in evidence.devices
    )


class Examined(Protocol):
    """What an examination lends to its separating probes."""

    evidence: Evidence
    link: RawLink
    device_probes: DeviceProbes
    longest_burst: int

    def take(self, **parts: Any) -> None:  # noqa: ANN401 - fields of Evidence
        """Keep parts of the evidence."""


class Separators:
    """The separating probes of one examination.

    Args:
        examined: the examination.
    """

    def __init__(self, examined: Examined) -> None:
        self._on = examined

    def of_line(self) -> tuple[Separator, ...]:
        """Those that address nobody."""
        return (
            self._of_ladder(),
            Separator(
                name="packet boundaries",
                did="bursts of lengths around full packets",
                fills=frozenset({Sign.BOUNDARY}),
                cost_s=4.0,
                able=lambda e: bool(e.adapter and e.adapter.burst_missing),
                run=self._boundaries,
            ),
            Separator(
                name="characters",
                did="single characters of many values",
                fills=frozenset({Sign.CONTROL_CHANGED, Sign.OTHERS_CHANGED}),
                cost_s=4.0,
                able=lambda e: bool(
                    e.not_ready or (e.adapter and e.adapter.quiet_ones.followed)
                ),
                run=self._characters,
            ),
        )

    def of_devices(self) -> tuple[Separator, ...]:
        """Those that address devices, and the ladder: devices may show the first errors."""
        return (
            self._of_ladder(),
            Separator(
                name="alarm search",
                did="who answers the alarm search behind a stretched reset",
                fills=frozenset({Sign.SIGNALS_NOW}),
                cost_s=1.0,
                able=lambda e: any(r.echoes.followed for r in e.resets),
                names=True,
                run=self._alarm_search,
            ),
            Separator(
                name="idle settings",
                did="marker kept while no device works?",
                fills=frozenset({Sign.IDLE_RESTART, Sign.RESTARTS_IN_WORK}),
                cost_s=5.0,
                able=lambda _: self._on.device_probes.restarted(),
                run=lambda: self._on.device_probes.look_while_idle(_IDLE_LOOKS),
            ),
            Separator(
                name="more searches",
                did=f"{_MORE_SEARCHES} more directed searches of each device",
                fills=frozenset(
                    {
                        Sign.ALONE,
                        Sign.SEARCH_LOST,
                        Sign.ALL_SILENT,
                        Sign.LOST_TOGETHER,
                    }
                ),
                cost_s=_MORE_SEARCHES
                * max(_ROUND_S, 0.03 * len(self._on.evidence.devices)),
                able=_lost_by_devices,
                run=self._more_searches,
            ),
        )

    def _of_ladder(self) -> Separator:
        return Separator(
            name="sample ladder",
            did="changed ones against the sample point",
            fills=frozenset({Sign.ERRORS_FALL, Sign.ERRORS_STAY}),
            cost_s=3.0,
            able=lambda e: bool(
                e.line
                and not e.ladder
                and (share_changed(e.line.ones) or is_thin(e.line))
            ),
            run=self._ladder,
        )

    def _ladder(self) -> None:
        adapter, line = self._on.evidence.adapter, self._on.evidence.line
        if adapter is not None and line is not None:
            size = probes_line.longest_whole(adapter.bursts)
            share = share_changed(line.ones) or _UNSEEN
            self._on.take(ladder=climb_ladder(self._on.link, share, size=size))

    def _boundaries(self) -> None:
        if (facts := self._on.evidence.adapter) is not None:
            adapter = self._on.link.bus.adapter
            kept, adapter.max_burst = adapter.max_burst, self._on.longest_burst
            try:
                found = around_packets(self._on.link)
            finally:
                adapter.max_burst = kept
            self._on.take(adapter=replace(facts, boundaries=found))

    def _characters(self) -> None:
        if (facts := self._on.evidence.adapter) is not None:
            found = send_characters(self._on.link)
            self._on.take(adapter=replace(facts, characters=found))

    def _alarm_search(self) -> None:
        self._on.take(
            devices=tuple(
                replace(
                    d,
                    signals=answers_alarm_search(
                        self._on.link, RomCode.parse(d.rom_code)
                    ),
                )
                for d in self._on.evidence.devices
            )
        )

    def _more_searches(self) -> None:
        """Each device once a round: a lead that is off for a while is off in few rounds."""
        clock = self._on.link.bus.clock
        scans = self._on.evidence.scans
        found = set(scans.found) if scans else set()
        missed: dict[str, tuple[int, ...]] = {
            d.rom_code: ()
            for d in self._on.evidence.devices
            if d.verified or d.rom_code in found
        }
        for number in range(_MORE_SEARCHES):
            until_s = clock.now_s() + _ROUND_S
            for facts in self._on.evidence.devices:
                if facts.rom_code in missed and not self._searched(facts):
                    missed[facts.rom_code] += (number,)
            clock.sleep(max(0.0, until_s - clock.now_s()))
        self._on.take(looks=LookFacts(rounds=_MORE_SEARCHES, missed=missed))

    def _searched(self, facts: DeviceFacts) -> bool:
        """One more directed search of a device, counted; True unless it was missed."""
        more = count_verified(self._on.link.bus, RomCode.parse(facts.rom_code), 1)
        grown = replace(
            facts,
            verified=facts.verified + more.answered,
            verifies=facts.verifies + 1,
            verify_troubles=dict(Counter(facts.verify_troubles) + more.troubles),
            lows_missed=facts.lows_missed + more.lows_missed,
            zeros_lifted=facts.zeros_lifted + more.zeros_lifted,
        )
        devices = self._on.evidence.devices
        self._on.take(
            devices=tuple(grown if d.rom_code == facts.rom_code else d for d in devices)
        )
        return bool(more.answered or more.late)
