"""The function of a running program that a mutant changes, and the code to give it."""

from __future__ import annotations

import functools
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from types import CodeType, FunctionType

from tests.mutation.mutants import Mutant

_CACHE: type[functools._lru_cache_wrapper[object]] = functools._lru_cache_wrapper


@dataclass(frozen=True, slots=True)
class Live:
    """A function and what it is to run instead."""

    function: FunctionType
    code: CodeType


def live_function(mutant: Mutant, changed: bytes) -> Live | None:
    """None where it runs while the module is imported, or cannot be found."""
    if not mutant.in_function:
        return None
    module = sys.modules.get(mutant.path.removesuffix(".py").replace("/", "."))
    if module is None:
        return None
    code = compile(changed, mutant.path, "exec")
    for path, found in _functions(code, ()):
        if found.co_firstlineno <= mutant.line <= _last_line(found):
            function = _resolved(module, path)
            if function is not None and _fits(function.__code__, found):
                return Live(function, found)
            return None
    return None


def forget() -> None:
    """Empties every cache of a function or method of the product."""
    for name, module in list(sys.modules.items()):
        if name.split(".")[0] == "harness":
            for value in list(vars(module).values()):
                inside = vars(value).values() if isinstance(value, type) else ()
                for kept in (value, *inside):
                    # by its type: asking a lazy library for an attribute loads it
                    if isinstance(kept, _CACHE):
                        kept.cache_clear()


def _functions(
    code: CodeType, above: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], CodeType]]:
    """Functions of a module and of its classes, not those inside of functions."""
    for part in code.co_consts:
        if isinstance(part, CodeType):
            path = (*above, part.co_name)
            if part.co_flags & 0x02:  # CO_NEWLOCALS: a function; a class body has none
                yield path, part
            else:
                yield from _functions(part, path)


def _last_line(code: CodeType) -> int:
    inner = [_last_line(part) for part in code.co_consts if isinstance(part, CodeType)]
    own = [line for _, _, line in code.co_lines() if line is not None]
    return max([code.co_firstlineno, *own, *inner])


def _resolved(module: object, path: tuple[str, ...]) -> FunctionType | None:
    found: object = module
    for name in path:
        if isinstance(found, type):
            owner = f"_{found.__name__.lstrip('_')}" if _mangled(name) else ""
            found = found.__dict__.get(owner + name)
        else:
            found = getattr(found, name, None)
    if isinstance(found, property):
        found = found.fget
    if isinstance(found, functools.cached_property):
        found = found.func
    if isinstance(found, staticmethod | classmethod):
        found = found.__func__
    while hasattr(found, "__wrapped__"):
        found = found.__wrapped__
    return found if isinstance(found, FunctionType) else None


def _mangled(name: str) -> bool:
    return name.startswith("__") and not name.endswith("__")


def _fits(now: CodeType, then: CodeType) -> bool:
    return now.co_name == then.co_name and now.co_freevars == then.co_freevars
