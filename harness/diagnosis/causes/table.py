"""The table of rules: from evidence to causes, and what is ruled out where none speaks.

To add a rule, write a function from `Evidence` to findings in the module of its
cause, and give it a row here. Among equally grave and sure findings the order of the
rows decides: what spoils more stands higher.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from harness.diagnosis.causes import adapter as rules_adapter
from harness.diagnosis.causes import clocks as rules_clocks
from harness.diagnosis.causes import current as rules_current
from harness.diagnosis.causes import devices as rules_devices
from harness.diagnosis.causes import idle as rules_idle
from harness.diagnosis.causes import kinds as rules_kinds
from harness.diagnosis.causes import line as rules_line
from harness.diagnosis.causes import noise as rules_noise
from harness.diagnosis.causes import presence as rules_presence
from harness.diagnosis.causes import rest as rules_rest
from harness.diagnosis.causes import stores as rules_stores
from harness.diagnosis.causes import supply as rules_supply
from harness.diagnosis.differential.differential import (
    BROUGHT_BY_MANY,
    row_named,
    row_of,
    weighed,
)
from harness.diagnosis.evidence.bus import Evidence
from harness.diagnosis.finding import Finding, FindingSeverity, gathered, ranked
from harness.diagnosis.signs.observing import observe
from harness.diagnosis.signs.sign import Observations


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One row.

    Attributes:
        judge: pure function of the evidence.
        seen_by: part of the evidence without which it cannot speak.
        otherwise: key of the cause that is ruled out if nothing of it was seen; may be empty.
        spoils: True if what it finds brings about findings of the rows below.
        explains: True if what it finds accounts for single spoilt transactions although
            it is no fault.
    """

    judge: Callable[[Evidence], Iterable[Finding]]
    seen_by: str
    otherwise: str = ""
    spoils: bool = False
    explains: bool = False

    @property
    def name(self) -> str:
        """The function's name in words."""
        return self.judge.__name__.replace("_", "-")


RULES: tuple[Rule, ...] = (
    Rule(judge=rules_adapter.adapter_lost, seen_by="adapter", spoils=True),
    Rule(
        judge=rules_adapter.inverted_receiver,
        seen_by="adapter",
        otherwise="adapter inverted",
        spoils=True,
    ),
    Rule(
        judge=rules_adapter.terminal_echo,
        seen_by="adapter",
        otherwise="host doubled-echo",
        spoils=True,
    ),
    Rule(
        judge=rules_adapter.wrong_rate,
        seen_by="adapter",
        otherwise="adapter wrong-rate",
        spoils=True,
    ),
    Rule(judge=rules_adapter.terminal_layer, seen_by="adapter", spoils=True),
    Rule(judge=rules_adapter.holds_singles, seen_by="adapter", spoils=True),
    Rule(judge=rules_adapter.silence, seen_by="adapter", spoils=True),
    Rule(judge=rules_line.fell_low, seen_by="adapter", spoils=True),
    Rule(
        judge=rules_line.stuck_low,
        seen_by="adapter",
        otherwise="bus wiring stuck-low",
        spoils=True,
    ),
    Rule(
        judge=rules_adapter.push_pull_output,
        seen_by="adapter",
        spoils=True,
    ),
    # the state of an output, seen by search alone, is proof whoever else speaks
    Rule(judge=rules_stores.step_toggled, seen_by="failed"),
    Rule(judge=rules_kinds.toggled, seen_by="devices"),
    Rule(
        judge=rules_idle.foreign_traffic,
        seen_by="idle",
        otherwise="bus wiring second-master",
        spoils=True,
    ),
    Rule(judge=rules_line.stretched_reset, seen_by="resets", spoils=True),
    Rule(judge=rules_line.long_presence, seen_by="resets", spoils=True),
    Rule(
        judge=rules_line.slow_edge,
        seen_by="line",
        otherwise="bus wiring slow-edge",
        spoils=True,
    ),
    Rule(judge=rules_adapter.packet_boundary, seen_by="adapter", spoils=True),
    Rule(
        judge=rules_adapter.lost_characters,
        seen_by="adapter",
        otherwise="adapter drops",
        spoils=True,
    ),
    Rule(
        judge=rules_line.answers_in_zeros,
        seen_by="line",
        otherwise="configuration left-in-fast-mode",
        spoils=True,
    ),
    Rule(judge=rules_line.nobody_answers, seen_by="resets"),
    Rule(judge=rules_line.presence_only, seen_by="devices", spoils=True),
    Rule(judge=rules_noise.slipped_slot, seen_by="scans"),
    Rule(
        judge=rules_noise.spikes,
        seen_by="line",
        otherwise="noise spikes",
        spoils=True,
    ),
    Rule(judge=rules_idle.pulled_meanwhile, seen_by="pulls"),
    Rule(judge=rules_line.low_in_search, seen_by="scans"),
    Rule(judge=rules_stores.failed_store, seen_by="failed"),
    Rule(judge=rules_clocks.failed_mission, seen_by="failed"),
    Rule(judge=rules_current.failed_offset, seen_by="failed"),
    Rule(judge=rules_devices.all_zero_blocks, seen_by="devices"),
    Rule(judge=rules_presence.loose_contact, seen_by="devices"),
    Rule(judge=rules_presence.common_loss, seen_by="scans", spoils=True),
    Rule(judge=rules_presence.flaky_branch, seen_by="devices", explains=True),
    Rule(judge=rules_devices.impossible_code, seen_by="scans"),
    Rule(
        judge=rules_devices.doubled,
        seen_by="devices",
        otherwise="device duplicate",
    ),
    Rule(judge=rules_kinds.odd_answer, seen_by="devices"),
    Rule(judge=rules_kinds.deaf_to_commands, seen_by="devices"),
    Rule(judge=rules_presence.wants_long_reset, seen_by="devices"),
    Rule(judge=rules_presence.other_family, seen_by="inventory"),
    Rule(judge=rules_presence.missing, seen_by="devices", otherwise="device absent"),
    Rule(judge=rules_supply.fed_outside, seen_by="devices", explains=True),
    Rule(judge=rules_supply.given_up, seen_by="devices"),
    Rule(judge=rules_supply.third_wire, seen_by="devices"),
    Rule(judge=rules_supply.starved, seen_by="devices"),
    Rule(judge=rules_supply.says_bus_power, seen_by="devices"),
    Rule(
        judge=rules_supply.restarted,
        seen_by="devices",
        otherwise="supply restart",
    ),
    Rule(judge=rules_supply.jumps, seen_by="devices"),
    Rule(judge=rules_supply.reloaded, seen_by="devices"),
    Rule(judge=rules_noise.command_not_heard, seen_by="devices"),
    Rule(judge=rules_noise.flipped_blocks, seen_by="devices"),
    Rule(judge=rules_devices.odd_block, seen_by="devices"),
    Rule(judge=rules_devices.late_conversion, seen_by="devices"),
    Rule(judge=rules_noise.phantoms, seen_by="scans", otherwise="noise phantom"),
    Rule(judge=rules_kinds.load_at_output, seen_by="devices"),
    Rule(judge=rules_clocks.oscillator_off, seen_by="devices"),
    Rule(judge=rules_clocks.mission_stalled, seen_by="devices"),
    Rule(judge=rules_clocks.clock_off, seen_by="devices"),
    Rule(judge=rules_current.current_at_no_load, seen_by="devices"),
    Rule(judge=rules_kinds.supply_differs, seen_by="devices"),
    Rule(judge=rules_kinds.address_damaged, seen_by="adapter"),
    Rule(judge=rules_kinds.torn_answer, seen_by="devices"),
    Rule(judge=rules_supply.alarm_search, seen_by="alarms"),
    Rule(judge=rules_presence.came_or_went, seen_by="scans", explains=True),
    Rule(judge=rules_presence.unlisted, seen_by="inventory"),
    Rule(judge=rules_adapter.blinking_supply, seen_by="devices"),
    Rule(judge=rules_adapter.slow_round_trip, seen_by="adapter"),
    Rule(judge=rules_adapter.clock_step, seen_by="clock_step_s"),
    Rule(judge=rules_adapter.late_host, seen_by="adapter"),
    Rule(judge=rules_devices.clone_like, seen_by="devices"),
    Rule(judge=rules_devices.constants_moved, seen_by="devices"),
    Rule(judge=rules_devices.off_the_sheet, seen_by="devices"),
    Rule(judge=rules_presence.late_presence, seen_by="resets"),
)
"""Every rule, what spoils most first."""


def judge(evidence: Evidence) -> tuple[tuple[Finding, ...], tuple[str, ...]]:
    """All findings in their rank, and the keys of the causes that are ruled out.

    Faults below one that spoils everything behind it are told under it: one root cause
    is one conclusion. Trouble that no cause explains ends undecided, never as "nothing
    wrong".
    """
    seen = observe(evidence)
    findings: list[Finding] = []
    silent: list[str] = []
    root: Finding | None = None
    explained = False
    for rule in RULES:
        if not getattr(evidence, rule.seen_by):
            continue
        told = (
            replace(rules_supply.with_supply(f, evidence), rule=rule.name)
            for f in rule.judge(evidence)
        )
        found = list(weighed(told, seen))
        if not found and rule.otherwise and root is None:
            silent.append(rule.otherwise)
        if root is not None:
            found, root = _under(root, found, findings)
        findings += found
        if root is None and rule.spoils:
            root = next((f for f in found if f.severity is FindingSeverity.FAULT), None)
        explained = explained or (bool(found) and rule.explains)
    if not explained and not any(f.severity is FindingSeverity.FAULT for f in findings):
        findings += rules_rest.unexplained(evidence)
    ruled_out = tuple(name for name in silent if _is_ruled_out(name, seen, findings))
    return tuple(gathered(ranked(absorbed(findings, seen)))), ruled_out


def _is_ruled_out(name: str, seen: Observations, findings: list[Finding]) -> bool:
    """True if what the cause brings about was looked for and not seen.

    A rule that keeps silent proves nothing by itself: it may not have had what it judges
    by. And what a finding names as possible is not ruled out beside it.
    """
    if any(text.startswith(f"{name}:") for f in findings for text in f.discriminators):
        return False
    shows = row_named(name).shows - BROUGHT_BY_MANY
    looked_for = [o for (sign, _), o in seen.by_key.items() if sign in shows]
    return bool(looked_for) and not any(o.seen for o in looked_for)


def absorbed(findings: list[Finding], seen: Observations) -> list[Finding]:
    """Faults whose observables another one explains too, and more, are told under it.

    Of two that explain the same the first is told, which names the other.
    """
    told = list(findings)
    for finding in findings:
        root = next((f for f in told if _explains(f, finding, seen)), None)
        if root is not None and finding in told:
            told.remove(finding)
            position = told.index(root)
            line = f"{finding.cause} ({finding.kind}): {finding.summary}"
            told[position] = replace(root, follows=(*root.follows, line))
    return [f for n, f in enumerate(told) if not any(_names(r, f) for r in told[:n])]


def _names(root: Finding, other: Finding) -> bool:
    """True if one explains what another does, no more, and names it beside itself."""
    same = (root.severity, root.device, set(root.explains)) == (
        other.severity,
        other.device,
        set(other.explains),
    )
    name = f"{other.cause} {other.kind}:"
    return same and any(rival.startswith(name) for rival in root.discriminators)


def _explains(root: Finding, other: Finding, seen: Observations) -> bool:
    faults = (
        root.severity is FindingSeverity.FAULT
        and other.severity is FindingSeverity.FAULT
    )
    same = root.device in {"", other.device}
    if not faults or not same or root is other:
        return False
    mine = set(root.explains)
    row = row_of(root)
    if row is not None and row.excluded_by(seen, other.device) is None:
        # what is wrong with the bus shows at each device too
        mine |= row.explained(seen, other.device)
    return set(other.explains) < mine


def _under(
    root: Finding, found: list[Finding], findings: list[Finding]
) -> tuple[list[Finding], Finding]:
    """Faults told under the one that spoils them; what is no fault stays by itself."""
    faults = [f for f in found if f.severity is FindingSeverity.FAULT]
    if not faults:
        return found, root
    told = tuple(f"{f.cause} ({f.kind}): {f.summary}" for f in faults)
    grown = replace(root, follows=(*root.follows, *told))
    findings[findings.index(root)] = grown
    return [f for f in found if f not in faults], grown
