"""The summary of a run as text: verdict, one line a device, each failure.

Rule 1: the verdict comes first, with the culprit; a simulated bench says so in
the first and in the last line.
Rule 2: a line says one thing, and nothing stands on the screen twice.
Rule 3: plain ASCII, and a verdict is a word before it is a colour.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.digits import duration_text
from harness.records import PLAN_AND_FIXTURE
from harness.results.summary.record import Summary, SummaryDevice, SummaryFailure

SIMULATED = "SIMULATED"
SIMULATED_END = f"{SIMULATED} bench: this is no verdict on real devices"
SCRIPTED_END = (
    "devices played by a script: no second opinion on the description of their kind"
)

_MOST_FAILURES = 10
_MOST_REMARKS = 3
_MOST_CULPRITS = 4
_MOST_VALUES = 3


@dataclass(frozen=True, slots=True)
class ScreenLine:
    """One line of a screen.

    Attributes:
        text: what it says.
        verdict: word of a verdict that the line begins with, for its colour; empty if
            none.
        indent: cells by which it goes on in the next line of a narrow window.
    """

    text: str
    verdict: str = ""
    indent: int = 4

    def fitted(self, width: int | None) -> Iterator[str]:
        """As lines of at most so many cells; whole without a width."""
        if width is None or len(self.text) <= width:
            yield self.text
            return
        begins = len(self.text) - len(self.text.lstrip(" "))
        yield from textwrap.wrap(
            self.text,
            width,
            initial_indent="",
            subsequent_indent=" " * min(begins + self.indent, width // 3),
            drop_whitespace=True,
            break_on_hyphens=False,
        )


def verdict_line(summary: Summary) -> ScreenLine:
    """The verdict, what it is about, and the culprit."""
    word = summary.verdict.upper()
    head = f"{word}, {SIMULATED}" if summary.simulated else word
    text = f"{head}: {summary.plan or 'a run'} on {summary.fixture or 'no fixture'}"
    reason = disagreement_text(summary)
    text += f"; {reason}" if reason else ""
    return ScreenLine(text + _blame(summary), summary.verdict)


def disagreement_text(summary: Summary) -> str:
    """The first failure by which plan and fixture disagree; empty without one."""
    for failure in summary.failures:
        if failure.look_first.startswith(PLAN_AND_FIXTURE):
            return f"{PLAN_AND_FIXTURE}: {failure.message}"
    return ""


def _blame(summary: Summary) -> str:
    if summary.verdict not in {"failed", "error"}:
        return ""
    named = summary.culprits
    did = "failed" if summary.verdict == "failed" else "without a verdict"
    if named:
        shown = ", ".join(named[:_MOST_CULPRITS])
        more = len(named) - _MOST_CULPRITS
        return f"; {did}: {shown}" + (f" and {more} more" if more > 0 else "")
    own = [f for f in summary.failures if f.verdict == summary.verdict]
    steps = [f"{f.step} {f.title}" for f in own if f.step]
    if summary.failures and not own:  # it was cut, which no step is to blame for
        so_far = dict.fromkeys(
            f.culprit or f"{f.step} {f.title}" for f in summary.failures
        )
        return f"; not run to its end; failed so far: {', '.join(so_far)}"
    return f"; {did}: {steps[0]}" if steps else ""


def counts_text(summary: Summary) -> str:
    """What was counted, by its name, and the time that it took."""
    bus = summary.bus_checks - summary.not_reached
    made = summary.counts | {"skipped": summary.counts["skipped"] - summary.not_reached}
    parts = [_device_checks(summary.devices)] if summary.devices else []
    parts += [f"{_counted(bus, 'check')} of the bus"] if bus else []
    verdicts = ", ".join(
        f"{count} {_plural(count, word) if word == 'error' else word}"
        for word, count in made.items()
        if count
    )
    took = f"{duration_text(summary.duration_s)}{' simulated' if summary.simulated else ''}"
    return f"{' and '.join(parts) or 'no checks'}: {verdicts or 'none'}; {took}"


def _device_checks(devices: Sequence[SummaryDevice]) -> str:
    """``8 devices x 12 checks`` where all had as many, else the sum."""
    checks = [device.checks for device in devices]
    each = f"{_counted(len(devices), 'device')}"
    if len(set(checks)) == 1:
        return f"{each} x {_counted(checks[0], 'check')}"
    return f"{each}, {_counted(sum(checks), 'check')}"


def _counted(count: int, word: str) -> str:
    return f"{count} {_plural(count, word)}"


def _plural(count: int, word: str) -> str:
    return word if count == 1 else f"{word}s"


def device_lines(devices: Sequence[SummaryDevice]) -> Iterator[ScreenLine]:
    """One line a device, in columns."""
    sockets = max((len(device.socket) for device in devices), default=0)
    verdicts = max((len(device.verdict) for device in devices), default=0)
    for device in devices:
        socket = f"{device.socket.ljust(sockets)}  " if sockets else ""
        text = (
            f"  {socket}{device.rom_code}  {device.family}  "
            f"{device.verdict.ljust(verdicts)}  {_key_values(device)}"
        )
        yield ScreenLine(text.rstrip(), device.verdict)


def _key_values(device: SummaryDevice) -> str:
    """The first few values; a condition once where all are of the same.

    Of a device that failed at a condition without any value that condition: its values
    of other conditions are good ones, and would speak for it.
    """
    if device.no_value:
        return f"at {device.no_value_condition}: no value, {device.no_value}"
    shown = device.values[:_MOST_VALUES]
    conditions = list(dict.fromkeys(value.condition for value in shown))
    if len(conditions) == 1:
        values = ", ".join(f"{value.quantity} {value.shown}" for value in shown)
        return f"at {conditions[0]}: {values}" if conditions[0] else values
    return ", ".join(
        f"{value.quantity} {value.shown}{_at(value.condition)}" for value in shown
    )


def _at(condition: str) -> str:
    return f" at {condition}" if condition else ""


def failure_lines(failures: Sequence[SummaryFailure]) -> Iterator[ScreenLine]:
    """Each failure: where, what, and what to look at first."""
    shown = failures[:_MOST_FAILURES]
    following = [*(f.look_first for f in shown[1:]), ""]
    for failure, after in zip(shown, following, strict=False):
        yield from _failure(failure)
        # what several in a row have alike stands once, after the last of them
        if failure.look_first and failure.look_first != after:
            yield ScreenLine(f"    look first: {failure.look_first}")
    if (more := len(failures) - _MOST_FAILURES) > 0:
        yield ScreenLine(f"and {more} more failures, in report.html")


def _failure(failure: SummaryFailure) -> Iterator[ScreenLine]:
    word = failure.verdict.upper()
    yield ScreenLine(f"{word} {failure.where}: {failure.message}", failure.verdict)
    if failure.elsewhere:
        yield ScreenLine(f"    also at: {failure.elsewhere}")
    for value in failure.values:
        if value.quantity not in failure.message or value.text not in failure.message:
            yield ScreenLine(f"    {value.quantity} = {value.shown}, {value.limits}")


def remark_lines(summary: Summary) -> Iterator[ScreenLine]:
    """What else a reader must know."""
    for text in summary.remarks[:_MOST_REMARKS]:
        yield ScreenLine(f"note: {text}")
    if (more := len(summary.remarks) - _MOST_REMARKS) > 0:
        yield ScreenLine(f"note: {more} more notes, in report.html")


def headline_texts(summary: Summary) -> list[str]:
    """What is nearest to a limit; a corner that failed is named as a failure."""
    failed = any(failure.conditions for failure in summary.failures)
    texts = ("" if failed else summary.worst_corner, summary.limits_bus)
    return [text for text in texts if text]


def summary_lines(
    summary: Summary, *, failures: bool = True, devices: bool = True
) -> list[ScreenLine]:
    """The whole end of a run, without the folder.

    Args:
        summary: the run.
        failures: False where a page of its own below shows them.
        devices: False likewise.
    """
    return [
        verdict_line(summary),
        ScreenLine(counts_text(summary)),
        *map(ScreenLine, headline_texts(summary)),
        *(device_lines(summary.devices) if devices else ()),
        *(failure_lines(summary.failures) if failures else ()),
        *remark_lines(summary),
    ]
