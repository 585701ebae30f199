"""Work spread over a Dask cluster; the only file that knows ``distributed``, which is an extra."""

import logging
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TypeVar, cast

from analysis.processes import DiedError
from recorder.errors import InputError
from recorder.store import software

R = TypeVar("R")
ANSWERS_WITHIN_S = 10.0
"""A scheduler that has not answered by then is told not to be there (our own choice)."""
LOOK_EVERY_S = 0.05
NO_WORKER_S = 120.0
"""A cluster without any worker for that long ends the screening (our own choice)."""


def over_cluster(
    address: str, archive: Path, work: Callable[[str], R], items: Iterable[str]
) -> Iterator[tuple[str, R | Exception]]:
    """Do the work on each item, on the workers of a scheduler.

    The scheduler itself gives a piece whose worker died to another one, as often as it is set to.

    Yields
    ------
    item, outcome
        As they are done: what the work returned, the exception that it raised, or ``DiedError``.

    Raises
    ------
    InputError
        If no scheduler answers, the workers are of another version or do not see the archive, or all of it is lost.
    """
    try:
        from distributed import KilledWorker, as_completed
    except ImportError:
        raise InputError("--cluster needs Dask; install it with: pip install 'warmspell[cluster]'") from None
    for name in [name for name in logging.root.manager.loggerDict if name.split(".")[0] == "distributed"]:
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what is lost is told by us, in a sentence
    client = _client(address)
    try:
        _check_workers(client, address, archive)
        names = list(items)
        futures = client.map(work, names, pure=False, retries=0)
        item_of = {future.key: name for future, name in zip(futures, names, strict=True)}
        done = as_completed(futures)
        del futures  # a result is given up by the cluster once it was handed on
        for future in _as_they_come(client, address, done):
            item = item_of.pop(future.key)
            if future.status not in ("finished", "error"):
                raise InputError(f"{address}: the scheduler is not there any more.")
            fault = future.exception()
            yield item, future.result() if fault is None else DiedError() if isinstance(fault, KilledWorker) else fault
    finally:
        client.close(timeout=2)


def _client(address: str) -> Any:
    from distributed import Client

    try:
        return cast("Any", Client(address, timeout=ANSWERS_WITHIN_S))
    except (OSError, TimeoutError, ValueError) as reason:
        raise InputError(f"{address}: no Dask scheduler answers there ({reason}).") from None


def _check_workers(client: Any, address: str, archive: Path) -> None:
    """Each worker has the same software as we and sees the archive at the same path."""
    try:
        client.wait_for_workers(1, timeout=ANSWERS_WITHIN_S)
        versions: dict[str, str] = client.run(software)
        seen: dict[str, bool] = client.run(_is_folder, str(archive))
    except TimeoutError:
        raise InputError(f"{address}: the scheduler has no workers.") from None
    except ImportError as reason:
        raise InputError(f"{address}: a worker has no Warmspell installed ({reason}).") from None
    other = {worker: version for worker, version in versions.items() if version != software()}
    if other:
        worker, version = next(iter(other.items()))
        raise InputError(f"{worker}: has {version}, this is {software()}; findings of two versions are not mixed.")
    blind = [worker for worker, sees in seen.items() if not sees]
    if blind:
        raise InputError(f"{blind[0]}: does not see {archive}; mount the archive at the same path on every worker.")


def _is_folder(path: str) -> bool:
    return Path(path).is_dir()


def _as_they_come(client: Any, address: str, done: Any) -> Iterator[Any]:
    """Futures as they are done; a cluster that lost all its workers for long is told."""
    alone_since: float | None = None
    while done.count():
        batch = done.next_batch(block=False)
        yield from batch
        if batch:
            alone_since = None
            continue
        time.sleep(LOOK_EVERY_S)
        if client.status not in ("running", "connecting"):
            raise InputError(f"{address}: the scheduler is not there any more.")
        if client.scheduler_info()["workers"]:
            alone_since = None
        elif alone_since is None:
            alone_since = time.monotonic()
        elif time.monotonic() - alone_since > NO_WORKER_S:
            raise InputError(f"{address}: no worker is left.")
