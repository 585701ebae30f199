"""Processes beside this one, one piece of work at a time: silent at Ctrl-C, ended with the one that began them."""

import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import active_children, get_context, parent_process
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")

THREADS = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""What the numeric libraries ask for how many threads they may start."""
TRIES = 2
"""A piece of work that took its process down is tried once more: the system may have been out of memory just then."""


AHEAD = 2
"""Pieces of work that a process has: one that it does and one that it need not wait for us to hand over."""


class DiedError(Exception):
    """A piece of work took its process down each time it was tried."""


def process_beside(*, one_thread: bool = False) -> ProcessPoolExecutor:
    """A process of its own; with ``one_thread`` its numeric libraries start no others."""
    return ProcessPoolExecutor(1, get_context("spawn"), initializer=_begin, initargs=(one_thread,))


def _begin(one_thread: bool) -> None:
    """Ctrl-C at the terminal is for the parent; the process ends with it, also where it was killed."""
    if one_thread:  # read by the libraries when the first work imports them
        os.environ.update(dict.fromkeys(THREADS, "1"))
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_parent, daemon=True).start()


def _end_with_the_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(0)


def end_all() -> None:
    """End every process that this one began."""
    for child in active_children():
        child.terminate()


def over_cores(work: Callable[[T], R], items: Iterable[T], processes: int) -> Iterator[tuple[T, R | Exception]]:
    """Do the work on each item, as many at once as there are processes, each in one thread.

    Yields
    ------
    item, outcome
        As they are done: what the work returned, the exception that it raised, or ``DiedError``.
    """
    waiting = iter(items)
    running: dict[Future[R], tuple[ProcessPoolExecutor, T, int]] = {}
    beside = [process_beside(one_thread=True) for _ in range(processes)]

    def begin(process: ProcessPoolExecutor, item: T, attempt: int) -> None:
        running[process.submit(work, item)] = process, item, attempt

    def feed(process: ProcessPoolExecutor) -> None:
        for item in waiting:
            begin(process, item, 1)
            return

    try:
        for process in beside * AHEAD:
            feed(process)
        while running:
            done = next(iter(wait(running, return_when=FIRST_COMPLETED).done))
            process, item, attempt = running[done]
            fault = done.exception()
            if not isinstance(fault, BrokenProcessPool):
                del running[done]
            else:  # what it had first is what it did when it died; the rest had not begun
                (item, attempt), *rest = [running.pop(future)[1:] for future in _lost_with(process, running)]
                beside[beside.index(process)] = process = process_beside(one_thread=True)
                again = [(item, attempt + 1)] if attempt < TRIES else []
                for lost, tried in again + rest:
                    begin(process, lost, tried)
                if again:
                    continue
                fault = DiedError()
            feed(process)
            yield item, done.result() if fault is None else _as_exception(fault)
    finally:
        for process in beside:
            process.shutdown(wait=False, cancel_futures=True)
        if running:
            end_all()


def _lost_with(
    process: ProcessPoolExecutor, running: dict[Future[R], tuple[ProcessPoolExecutor, T, int]]
) -> list[Future[R]]:
    """What a process that died took with it, in the order in which it was handed over."""
    had = [future for future, (owner, _, _) in running.items() if owner is process]
    return [future for future in had if isinstance(future.exception(), BrokenProcessPool)]


def _as_exception(fault: BaseException) -> Exception:
    if isinstance(fault, Exception):
        return fault
    raise fault


def cores() -> int:
    """Cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1
