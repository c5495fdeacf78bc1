"""Work shared out to processes, its results given back in order. Processes end with the one that started them."""

import gc
import os
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context, parent_process
from typing import Any, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

MOST_DEATHS = 5
"""How often processes may die before the run stops."""


class Stopped(Exception):
    """Processes died again and again; what is done is kept."""


def spread(
    work: Callable[[Item], Result], items: Iterable[Item], workers: int, begin: Callable[..., None], given: tuple[Any, ...]
) -> Iterator[Result]:
    """The result of each item, in order. Each process begins with `begin(*given)`, and they are together at most two items each ahead of whoever
    takes the results. With one worker all is done in this process. Raises BrokenProcessPool when a process dies.
    """
    if workers == 1:
        begin(*given)
        yield from map(work, items)
        return
    with ProcessPoolExecutor(workers, get_context("spawn"), _begin, (begin, given)) as pool:
        waiting: deque[Future[Result]] = deque()
        for item in items:
            waiting.append(pool.submit(work, item))
            if len(waiting) >= 2 * workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def enduring(attempt: Callable[[], Iterator[Result]]) -> Iterator[Result]:
    """What `attempt` gives, which is asked again when a process has died; it goes on where it was. Raises Stopped."""
    deaths = 0
    while True:
        try:
            yield from attempt()
            return
        except BrokenProcessPool:
            deaths += 1
            if deaths > MOST_DEATHS:
                raise Stopped(f"processes died {deaths} times, perhaps for want of memory; --resume goes on") from None


@contextmanager
def uncollected() -> Iterator[None]:
    """Work on many without looking for garbage in circles: grouping and assessing leave none (a test looks), and looking takes a twentieth of the time
    of assessing, a tenth of that of grouping."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def _begin(begin: Callable[..., None], given: tuple[Any, ...]) -> None:
    threading.Thread(target=_follow, daemon=True).start()
    begin(*given)
    gc.collect()
    gc.freeze()


def _follow() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
