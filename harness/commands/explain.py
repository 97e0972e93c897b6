"""`slotproof explain`: the long references, as text that ships with the program."""

from __future__ import annotations

from importlib import resources

from harness.commands.base import print_texts
from harness.errors import UsageError

_FOLDER = resources.files("harness.commands") / "topics"


def topics() -> dict[str, str]:
    """Each topic with its title, in alphabetical order."""
    files = sorted(
        (file for file in _FOLDER.iterdir() if file.name.endswith(".txt")),
        key=lambda file: file.name,
    )
    return {
        file.name.removesuffix(".txt"): file.read_text("utf-8").partition("\n")[0]
        for file in files
    }


def explain(*, topic: str | None) -> None:
    """Print a topic, or the list of them."""
    known = topics()
    if topic is None:
        width = max(map(len, known))
        for name, title in known.items():
            print_texts([f"{name.ljust(width)}  {title}"])
        return
    if topic not in known:
        raise UsageError(
            f"there is no topic {topic!r}", hint=f"one of {', '.join(known)}"
        )
    print_texts((_FOLDER / f"{topic}.txt").read_text("utf-8").splitlines())
