"""Steps about the bench: wait, prompt, switch."""

from __future__ import annotations

from collections.abc import Iterator

from harness.plans.schema.bodies import Prompt, Switch, Wait
from harness.plans.steps.attempts import attempt, judged
from harness.plans.steps.context import Context
from harness.records import CheckResult, Measurement, Outcome


def run_wait(context: Context, body: Wait) -> Iterator[CheckResult]:
    """Wait with the line idle."""
    context.clock.sleep(body.for_s)
    yield CheckResult(outcome=Outcome.PASSED, duration_s=body.for_s)


def run_prompt(context: Context, body: Prompt) -> Iterator[CheckResult]:
    """Show a text to the operator; a no to a yes-no question is a failure."""
    said_yes = context.operator.ask(body.text, yes_no=body.expect == "yes-no")
    context.conversions.lose_all(f"the operator had the bench in {context.here}")
    if said_yes:
        yield CheckResult(outcome=Outcome.PASSED, evidence={"text": body.text})
        return
    yield CheckResult(
        outcome=Outcome.FAILED,
        kind="operator",
        message=f"the operator answered no to: {body.text}",
        hint=body.hint or "do what the prompt asks for, then run again",
    )


def run_switch(context: Context, body: Switch) -> Iterator[CheckResult]:
    """Supply or strong pull-up on or off, then time to settle."""

    def check() -> CheckResult:
        context.bus.adapter.switch(
            supply=_level(body.supply), strong_pull_up=_level(body.strong_pull_up)
        )
        if body.supply is not None:
            context.forget(f"{context.here} switched the supply {body.supply}")
        context.clock.sleep(body.settle_s)
        states = {"supply": body.supply, "strong_pull_up": body.strong_pull_up}
        return judged(
            *(
                Measurement(name=name, value=state)
                for name, state in states.items()
                if state is not None
            )
        )

    yield attempt(context, body, check)


def _level(state: str | None) -> bool | None:
    return None if state is None else state == "on"
