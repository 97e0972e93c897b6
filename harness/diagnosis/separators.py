"""The probes that only tell standing causes apart, each with what it fills and costs.

On the line they address nobody; those of devices store nothing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any, Protocol

from harness.diagnosis.evidence.bus import DeviceFacts, Evidence
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
from harness.diagnosis.signs.sign import Sign
from harness.wire.romcode import RomCode

_IDLE_LOOKS = 6
"""Against a restart in each of three conversions and more, none in six pauses as long
happens to a device that restarts at any time in one of 84 examinations."""

_MORE_SEARCHES = 90
"""With those before, a loss in 40 searches of a device escapes one time in 20."""


def _lost_by_devices(evidence: Evidence) -> bool:
    """True if devices miss searches; what adapter and line do to all is counted there."""
    adapter, line = evidence.adapter, evidence.line
    common = adapter is None or line is None or adapter.burst_missing
    if common or (line is not None and share_changed(line.ones)):
        return False
    return any(0 < d.verified < d.verifies for d in evidence.devices)


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
            Separator(
                name="sample ladder",
                did="changed ones against the sample point",
                fills=frozenset({Sign.ERRORS_FALL, Sign.ERRORS_STAY}),
                cost_s=3.0,
                able=lambda e: bool(e.line and share_changed(e.line.ones)),
                run=self._ladder,
            ),
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
        """Those that address devices."""
        return (
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
                fills=frozenset({Sign.ALONE, Sign.SEARCH_LOST, Sign.ALL_SILENT}),
                cost_s=0.03 * _MORE_SEARCHES * max(1, len(self._on.evidence.devices)),
                able=_lost_by_devices,
                run=self._more_searches,
            ),
        )

    def _ladder(self) -> None:
        adapter, line = self._on.evidence.adapter, self._on.evidence.line
        if adapter is not None and line is not None:
            size = probes_line.longest_whole(adapter.bursts)
            share = share_changed(line.ones)
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
        self._on.take(devices=tuple(map(self._searched, self._on.evidence.devices)))

    def _searched(self, facts: DeviceFacts) -> DeviceFacts:
        if not facts.verified:
            return facts
        rom = RomCode.parse(facts.rom_code)
        more = count_verified(self._on.link.bus, rom, _MORE_SEARCHES)
        return replace(
            facts,
            verified=facts.verified + more.answered,
            verifies=facts.verifies + _MORE_SEARCHES,
            verify_troubles=dict(Counter(facts.verify_troubles) + more.troubles),
            lows_missed=facts.lows_missed + more.lows_missed,
            zeros_lifted=facts.zeros_lifted + more.zeros_lifted,
        )
