"""A warmed-up calculator compiles nothing more when the piles of the demo are measured."""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules

from numba.core.dispatcher import Dispatcher

from compute import kernels
from compute.warming import warm_up
from surveys.demo.monthly import wanted
from surveys.demo.yard import PILE
from tests.surveys.test_demo_measured import as_it_was


def compiled() -> dict[str, int]:
    """Loop → how many kinds of arguments it is compiled for."""
    found = {}
    for module in (import_module(f"compute.kernels.{info.name}") for info in iter_modules(kernels.__path__)):
        for name, loop in vars(module).items():
            if isinstance(loop, Dispatcher):
                found[f"{module.__name__}.{name}"] = len(loop.signatures)
    return found


def test_warming_up_leaves_nothing_to_compile_for_a_worker():
    warm_up()
    before = compiled()
    assert sum(before.values()) > 10
    as_it_was.cache_clear()
    for code in PILE:
        as_it_was(next(want for want in wanted() if want.pile == code))
    assert {name: (before[name], count) for name, count in compiled().items() if count != before[name]} == {}
