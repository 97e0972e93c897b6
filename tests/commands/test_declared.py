"""What can be typed fits what is done."""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Iterator
from dataclasses import fields

import click
import pytest

from harness.cli import app
from harness.commands.declared.kit import DeclaredCommand
from harness.commands.declared.style import OutputStyle


def _declared(group: click.Group) -> Iterator[DeclaredCommand]:
    for command in group.commands.values():
        if isinstance(command, click.Group):
            yield from _declared(command)
        else:
            assert isinstance(command, DeclaredCommand)
            yield command


COMMANDS = list(_declared(app))


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c.work)
def test_parameters_are_the_arguments_of_the_work(command: DeclaredCommand) -> None:
    """A misspelt option would otherwise show when somebody runs the command."""
    module, _, name = command.work.rpartition(".")
    work = getattr(importlib.import_module(module), name)
    parameters = inspect.signature(work).parameters
    styles = {field.name for field in fields(OutputStyle)}
    names = {p.name for p in command.params if p.name not in styles}
    styled = {"style"} if len(names) < len(command.params) else set()
    assert names | styled == set(parameters)
    assert all(p.kind is p.KEYWORD_ONLY for p in parameters.values())
    given = click.Context(command)
    for parameter in command.params:
        if parameter.name in styles:
            continue
        annotation = str(parameters[parameter.name or ""].annotation)
        many = parameter.nargs == -1 or getattr(parameter, "multiple", False)
        default = parameter.get_default(given)
        absent = not parameter.required and not isinstance(default, (str, float, int))
        assert many == annotation.startswith("tuple["), parameter.name
        assert many or absent == annotation.endswith("| None"), parameter.name
