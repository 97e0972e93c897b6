"""The examination: probes in a sensible order, then all rules over what they found.

Order: adapter, idle line, resets, edges, searches, each device. Whatever a probe
needs must have been proved by one before it; on a line that is silent or low nothing
more is written.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from typing import Any

from harness.diagnosis.as_found import left_as_found
from harness.diagnosis.causes.adapter import (
    inverted_receiver,
    terminal_echo,
    terminal_layer,
    wrong_rate,
)
from harness.diagnosis.causes.table import judge
from harness.diagnosis.declared import Declared
from harness.diagnosis.diagnosis import Diagnosis
from harness.diagnosis.differential.differential import weighed
from harness.diagnosis.effort import Effort
from harness.diagnosis.evidence.bus import Blocks, DeviceFacts, Evidence
from harness.diagnosis.evidence.kinds import FailedCheck
from harness.diagnosis.evidence.probed import AlarmFacts, LateFacts, ProbeNote
from harness.diagnosis.inventory import take_stock
from harness.diagnosis.probes import line as probes_line
from harness.diagnosis.probes.devices import DeviceProbes
from harness.diagnosis.probes.kinds import look_again, look_at
from harness.diagnosis.probes.pulls import PullWatch
from harness.diagnosis.probes.raw_link import RawLink
from harness.diagnosis.probes.searches import scan
from harness.diagnosis.probes.separating import (
    answers_after_pause,
    answers_long_reset,
    answers_overdrive,
)
from harness.diagnosis.separation import Separator, next_separator
from harness.diagnosis.separators import Separators
from harness.diagnosis.signs.line import LISTENING
from harness.diagnosis.signs.observing import observe
from harness.driver.bus import Bus
from harness.driver.session import DeviceSession
from harness.errors import AdapterError, AdapterUnplugged, SlotproofError
from harness.families.family import Session
from harness.families.registry import Kinds, built_in
from harness.wire.romcode import RomCode

_REOPEN_S, _REOPEN_TRIES = 0.5, 12

_OPENINGS, _SETTLE_S = 2, 0.3
"""How often the port is opened again, and the wait for what its lines switch; what moves the
line so soon after the beginning was moved by opening the port before."""


_DEAF_TRIES = 21
"""Convert commands until one is heard. What loses four of five of them loses so many in a row
in one of a hundred cases (0.8^21); each costs the time of a reset and a command."""


class Examination:
    """One examination of one bus.

    Args:
        bus: the open bus; nothing about it need have been proved.
        declared: what the fixture declares, once these ROM codes are found: one that it
            does not name may turn out to be the only one for its socket.
        failed: the check of a plan that shall be explained, or None.
        effort: how much to do.
        kinds: the kinds of device that are known; those built in if None.
        tell: hears of each probe when it begins and when it is done.
    """

    def __init__(
        self,
        bus: Bus,
        *,
        declared: Callable[[Iterable[str]], Declared],
        failed: FailedCheck | None = None,
        effort: Effort | None = None,
        kinds: Kinds | None = None,
        tell: Callable[..., None] = lambda _event, **_facts: None,
    ) -> None:
        self._bus = bus
        self._tell = tell
        self._declared = declared
        self._effort = effort or Effort()
        self._kinds = kinds or built_in()
        self.link = RawLink(bus)
        self._pulls = PullWatch(bus.adapter)
        self.longest_burst = bus.adapter.max_burst
        self.device_probes = DeviceProbes(bus)
        self._separators = Separators(self)
        self._separating_s = self._effort.separating_s
        self._matched_before = Counter(bus.matches)
        self._after: dict[str, Blocks] = {}
        self._notes: list[ProbeNote] = []
        self.evidence = Evidence(expected=declared(()).expected, failed=failed)

    def run(self) -> Diagnosis:
        """Every probe that makes sense, then the rules; the bench stays as it was."""
        clock = self._bus.clock
        wall, started_s = clock.calendar(), clock.now_s()
        with left_as_found(self._bus), self._pulls.on():
            try:
                self._gather()
            finally:
                # a probe that broke off, or Ctrl-C, must not leave its marks behind
                with suppress(SlotproofError):
                    self.device_probes.restore()
        stepped_s = (clock.calendar() - wall).total_seconds()
        stepped_s -= clock.now_s() - started_s
        self.take(
            pulls=tuple(at_s for at_s in self._pulls.at_s if at_s > _SETTLE_S),
            late=LateFacts(short=self._pulls.late.short, came=self._pulls.late.late),
            clock_step_s=round(stepped_s, 3),
        )
        findings, ruled_out = judge(self.evidence)
        return Diagnosis(findings=findings, evidence=self.evidence, ruled_out=ruled_out)

    def _gather(self) -> None:
        """Every probe in its order."""
        effort = self._effort
        self._probe("adapter", "single characters, bursts, their times", self._adapter)
        self._probe(LISTENING, f"listened for {effort.listen_s:g} s", self._listen)
        if self._worth_writing():
            self._probe(
                "resets", f"{effort.resets} resets at three rates", self._resets
            )
            self._probe(
                "edges", f"{effort.slots} slots, no device addressed", self._edges
            )
            self._separate(self._separators.of_line())
        if self._worth_addressing():
            self._probe("search", f"{effort.scans} searches of the bus", self._scan)
            self._seat()
            self._devices()
        self._take_stock()
        if self.evidence.idle is not None:
            idle = replace(self.evidence.idle, after_sending=self.link.strays)
            self.take(idle=idle)
        self.take(probes=tuple(self._notes))

    # -- probes ---------------------------------------------------------------------

    def _probe(self, name: str, did: str, probe: Callable[[], None]) -> None:
        """Run a probe, once more if the adapter was lost, and note what it did."""
        self._tell("probe_started", name=name, did=did)
        started_s = self._bus.clock.now_s()
        broke_off = ""
        for _ in range(2):
            try:
                probe()
                broke_off = ""
            except AdapterUnplugged as fault:
                broke_off = fault.what
                self.take(lost=self.evidence.lost + 1)
                if not self._bring_back():
                    break
                continue
            except SlotproofError as fault:
                broke_off = fault.what
            break
        took_s = round(self._bus.clock.now_s() - started_s, 3)
        self._tell("probe_done", name=name, took_s=took_s, broke_off=broke_off)
        self._notes.append(
            ProbeNote(name=name, did=did, took_s=took_s, broke_off=broke_off)
        )

    def _bring_back(self) -> bool:
        for _ in range(_REOPEN_TRIES):
            self._bus.clock.sleep(_REOPEN_S)
            try:
                self._bus.adapter.reopen()
            except AdapterError:
                continue
            return True
        return False

    def take(self, **parts: Any) -> None:  # noqa: ANN401 - fields of Evidence
        """Keep parts of the evidence."""
        self.evidence = replace(self.evidence, **parts)

    def _adapter(self) -> None:
        adapter = probes_line.examine_adapter(self.link)
        self.take(adapter=adapter, seen_low=self._bus.adapter.broke_low)

    def _listen(self) -> None:
        self.take(idle=probes_line.listen(self.link, self._effort.listen_s))

    def _resets(self) -> None:
        resets = probes_line.examine_resets(self.link, self._effort.resets)
        self.take(resets=resets)

    def _edges(self) -> None:
        adapter = self.evidence.adapter
        size = probes_line.longest_whole(adapter.bursts) if adapter else 16
        line = probes_line.examine_line(self.link, self._effort, self.evidence, size)
        self.take(line=line)
        # until the examination is over, so that its own bursts come back whole
        self._bus.adapter.max_burst = min(self._bus.adapter.max_burst, size)
        try:
            self._bus.prove()  # fits the slots to this line
        except AdapterUnplugged:
            raise
        except SlotproofError as fault:
            self.take(not_ready=fault.kind)

    def _separate(self, separators: tuple[Separator, ...]) -> None:
        """Probes that tell standing causes apart, as long as two stand and time is left."""
        left = list(separators)
        while found := next_separator(left, self.evidence, self._separating_s):
            left.remove(found)
            started_s = self._bus.clock.now_s()
            self._probe(found.name, found.did, found.run)
            self._separating_s -= self._bus.clock.now_s() - started_s
            self.take(devices=tuple(map(self._with_conversions, self.evidence.devices)))

    def _scan(self) -> None:
        self.take(scans=scan(self._bus, self._effort.scans))

    # -- whether to go on ---------------------------------------------------------------

    def _worth_writing(self) -> bool:
        """Not where nothing echoes, nor where the adapter itself spoils all that is sent."""
        adapter = self.evidence.adapter
        hopeless = (inverted_receiver, terminal_echo)
        return (
            adapter is not None
            and bool(adapter.ones.histogram)
            and not any(any(rule(self.evidence)) for rule in hopeless)
        )

    def _worth_addressing(self) -> bool:
        """Not on a line that fell silent."""
        adapter, line = self.evidence.adapter, self.evidence.line
        if adapter is None or line is None or not self._worth_writing():
            return False
        spoilt = (*wrong_rate(self.evidence), *terminal_layer(self.evidence))
        if any(weighed(spoilt, observe(self.evidence))):
            return False  # what devices say does not come through
        if self.evidence.resets and not any(
            reset.echoes.histogram for reset in self.evidence.resets
        ):
            return False
        return bool(line.ones.histogram)

    # -- devices --------------------------------------------------------------------------

    def _devices(self) -> None:
        roms = self._roms()
        if not roms:
            return
        effort = self._effort
        names = f"{len(roms)} devices, one by one"
        self._probe("devices", f"{names}: directed searches, power, reads", self._meet)
        self._probe("kinds", "what each kind of device reports", self._look)
        if self.device_probes.thermometers:
            self._probe(
                "freshness", "marker in the alarm bytes, kept?", self._freshness
            )
            if self._bus.adapter.switching.supply_on is None:  # else it may well go off
                did = "closed and opened again, marker kept?"
                self._probe("port", did, self._open_again)
            self._probe(
                "conversions",
                f"one by one, then {effort.rounds} times all together",
                self._convert,
            )
        self.take(devices=tuple(map(self._with_conversions, self.evidence.devices)))
        self._separate(self._separators.of_devices())
        self.device_probes.restore()
        self._probe("search again", "all devices still found?", self._scan_again)
        self.take(devices=tuple(map(self._with_conversions, self.evidence.devices)))

    def _seat(self) -> None:
        scans = self.evidence.scans
        if scans is not None:
            self.take(expected=self._declared(scans.found).expected)

    def _roms(self) -> list[RomCode]:
        scans = self.evidence.scans
        seen = set(scans.found) if scans else set()
        return [
            RomCode.parse(c)
            for c in sorted(seen | set(self.evidence.expected.rom_codes))
        ]

    def _meet(self) -> None:
        counting = any(
            self._kinds.family_of(rom.family).counts_conversions for rom in self._roms()
        )
        self.device_probes = DeviceProbes(self._bus, spares_others=counting)
        sockets = self.evidence.expected.rom_codes
        devices: list[DeviceFacts] = [
            self.device_probes.examine(
                rom,
                verifies=self._effort.verifies,
                reads=self._effort.reads,
                socket=sockets.get(str(rom), ""),
            )
            for rom in self._roms()
        ]
        self.take(devices=tuple(devices))
        self.take(devices=tuple(map(self._behind_a_long_reset, devices)))

    def _behind_a_long_reset(self, facts: DeviceFacts) -> DeviceFacts:
        """Once more for one that never answered, where the line itself works."""
        if facts.verified or not facts.verifies:
            return facts
        rom = RomCode.parse(facts.rom_code)
        if answers_after_pause(self.link, rom):
            return replace(facts, answers_after_pause=True)
        facts = replace(facts, answers_after_pause=False)
        fast = answers_overdrive(self.link, rom)
        long = answers_long_reset(self.link, rom)
        return replace(facts, answers_long_reset=long, answers_overdrive=fast)

    def _look(self) -> None:
        """Only at those that answered: the others' silence is known already."""
        means = self._effort.means
        self._change_devices(
            lambda facts, session: replace(
                facts, readings=look_at(session, means=means, kinds=self._kinds)
            )
        )

    def _look_again(self) -> None:
        """Between and behind the probes, at what must not have moved meanwhile."""
        self._change_devices(
            lambda facts, session: replace(
                facts, later=(*facts.later, *look_again(session, kinds=self._kinds))
            )
        )

    def _change_devices(
        self, change: Callable[[DeviceFacts, Session], DeviceFacts]
    ) -> None:
        devices = list(self.evidence.devices)
        for position, facts in enumerate(devices):
            if facts.verified:
                changed = change(facts, self._session(facts.rom_code))
                matches = self._bus.matches - self._matched_before
                devices[position] = replace(changed, matches=matches[facts.rom_code])
                self.take(devices=tuple(devices))

    def _session(self, code: str) -> DeviceSession:
        """A session that remembers nothing of a run; the fixture's word counts."""
        scans = self.evidence.scans
        found = {*scans.found, code} if scans else {code}
        known = self._declared(found).sockets.get(code)
        return DeviceSession(self._bus, RomCode.parse(code), known)

    def _freshness(self) -> None:
        before = self.device_probes.alarm_disagreements()
        self.take(alarms=AlarmFacts(before=before))
        self.device_probes.mark()
        self._bus.clock.sleep(min(1.0, self._effort.listen_s))
        self.device_probes.look_for_marker()
        self._look_again()

    def _open_again(self) -> None:
        """Twice at most, so that a device which restarts by chance is not taken for it."""
        before = len(self._pulls.at_s)
        for _ in range(_OPENINGS):
            self._bus.adapter.reopen()
            self._bus.clock.sleep(_SETTLE_S)
            if not self.device_probes.look_after_opening():
                break
        del self._pulls.at_s[before:]  # what opening switches may move the line

    def _convert(self) -> None:
        before = len(self._pulls.at_s)
        try:
            self._convert_each_and_all()
        finally:
            if any(p.on_parasite for p in self.device_probes.thermometers.values()):
                del self._pulls.at_s[before:]  # a line that feeds conversions may sag

    def _convert_each_and_all(self) -> None:
        parasite = self.evidence.expected.parasite
        for thermometer in self.device_probes.thermometers.values():
            thermometer.conversions.clear()
        for thermometer in list(self.device_probes.thermometers.values()):
            self.device_probes.convert_apart(
                thermometer,
                times=self._effort.alone,
                declared=str(thermometer.rom) in parasite,
            )
            self.device_probes.ask_until_heard(thermometer, _DEAF_TRIES)
        for _ in range(self._effort.rounds):
            self.device_probes.convert_together()
        self._after = self.device_probes.read_again(self._effort.reads)
        self.device_probes.look_for_marker()
        if self.evidence.alarms is not None and self.evidence.alarms.before:
            self.device_probes.restore()
        if self.evidence.alarms is not None and self.evidence.alarms.before:
            self.device_probes.convert_together()
            after = self.device_probes.alarm_disagreements()
            self.take(alarms=replace(self.evidence.alarms, after=after))
        self._look_again()

    def _take_stock(self) -> None:
        scans = self.evidence.scans
        if scans is not None:
            standing = take_stock(
                listed=self.evidence.expected.rom_codes,
                scans=scans.each,
                answered={d.rom_code: d.verified for d in self.evidence.devices},
            )
            self.take(inventory={code: str(s) for code, s in standing.items()})

    def _scan_again(self) -> None:
        self._look_again()
        if self._effort.scans < 2:
            return
        again, scans = scan(self._bus, 1), self.evidence.scans
        if scans is not None and again.whole:
            each = (*scans.each, again.last)
            self.take(scans=replace(scans, last=again.last, each=each))

    def _with_conversions(self, facts: DeviceFacts) -> DeviceFacts:
        thermometer = self.device_probes.thermometers.get(facts.rom_code)
        if thermometer is None:
            return facts
        block = thermometer.block
        return replace(
            facts,
            supply_answers=tuple(thermometer.supply_answers),
            conversions=tuple(thermometer.conversions),
            blocks_after=self._after.get(facts.rom_code),
            settings_kept=thermometer.settings_kept,
            openings=thermometer.openings,
            lost_at_openings=thermometer.lost_at_openings,
            idle_looks=thermometer.idle_looks,
            idle_losses=thermometer.idle_losses,
            longest_ms=block.conversion_ms if block else None,
            full_resolution=bool(
                block and block.has_config and block.resolution_bits == 12
            ),
        )
