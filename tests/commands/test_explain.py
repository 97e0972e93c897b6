"""What ships as text stays true: names in it exist, and README stays short."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from harness.cli import app
from harness.commands.explain import explain, topics
from harness.errors import UsageError
from harness.families.hazard import known_hazards
from harness.plans.loading.files import load_plan
from harness.plans.schema.soak import Soak
from harness.plans.schema.steps import STEP_KINDS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
MOST_LINES = 250


def _text(topic: str, capsys: pytest.CaptureFixture[str]) -> str:
    explain(topic=topic)
    return capsys.readouterr().out


def test_every_topic_is_listed_and_fits_a_screen(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The list has each topic with its title; no line is wider than 100, all is ASCII."""
    explain(topic=None)
    listed = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in listed] == list(topics())
    for topic in topics():
        text = _text(topic, capsys)
        assert text.isascii(), topic
        assert max(map(len, text.splitlines())) <= 100, topic
    with pytest.raises(UsageError, match="no topic"):
        explain(topic="nope")


def test_every_step_hazard_and_soak_key_is_explained(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A step, a hazard or a key of a soak that is added must be explained."""
    plan = _text("plan", capsys)
    assert [kind for kind in STEP_KINDS if kind not in plan] == []
    hazards = _text("hazards", capsys)
    assert [name for name in known_hazards() if name not in hazards] == []
    soak = _text("soak", capsys)
    named = re.findall(r"^    (\w+):", soak, re.MULTILINE)
    assert named
    assert set(named) <= set(Soak.model_fields)


def _commands(text: str) -> set[tuple[str, str]]:
    return {
        (first, second)
        for first, second in re.findall(r"slotproof ([a-z]+)(?: ([a-z]+))?", text)
    }


def test_every_command_that_is_named_exists(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """README and topics name no command that is gone."""
    texts = [README, *(_text(topic, capsys) for topic in topics())]
    for first, second in set().union(*map(_commands, texts)):
        if first in {"answers", "arms", "chooses"}:
            continue  # a sentence, not a command
        assert first in app.commands, first
        command = app.commands[first]
        if isinstance(command, click.Group) and second:
            assert second in command.commands, (first, second)


def test_readme_is_short_and_its_pictures_are_there() -> None:
    """At most 250 lines; each picture is in the repository, and small."""
    assert len(README.splitlines()) <= MOST_LINES
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(pictures) == 4
    assert all((ROOT / name).stat().st_size < 150_000 for name in pictures)


def test_the_plan_of_the_readme_loads(tmp_path: Path) -> None:
    """The plan that is shown is one."""
    (plan,) = re.findall(r"```yaml\n(.*?)```", README, re.DOTALL)
    path = tmp_path / "plan.yaml"
    path.write_text(plan, "utf-8")
    assert load_plan(path).title == "incoming thermometers"
