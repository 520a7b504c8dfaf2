"""Work that does not wait for each other, on the processors there are."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any


def together(*works: Callable[[], Any]) -> list[Any]:
    """The results of all works, in their order; of several refusals the first of them is raised.

    Compiled loops, the triangulator and large array operations release the interpreter lock. No work may
    change what another reads, so that the number of threads changes no bit.
    """
    threads = min(len(works), os.cpu_count() or 1)
    if threads == 1:
        return [work() for work in works]
    with ThreadPoolExecutor(threads) as pool:
        return [waiting.result() for waiting in [pool.submit(work) for work in works]]
