"""Who does the work: this process, processes of this machine, or a cluster."""

from __future__ import annotations

import contextlib
import multiprocessing
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import resource_tracker
from typing import Any, TypeVar

from convert.collection import work
from convert.collection.interrupts import deaf_from_birth, held
from convert.stopping import ENDING

T = TypeVar("T")

ALONE = 60.0
"""Seconds that a cluster may be without any worker."""

ANSWER = 20.0
"""Seconds within which a scheduler answers and has a worker."""


class RunError(Exception):
    """The run cannot begin or go on; what is finished is kept.  The text is one line."""


class _Here(Executor):
    """Does the work at once, in this process."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        future: Future[T] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as err:
            future.set_exception(err)
        return future


@dataclass
class Crew:
    """Who works.

    Attributes:
        executor: takes the work.
        size: workers.
        share: workers to one machine.
        counted: games that the workers have read so far; None where they do not tell.
        alive: False when nobody is there to work.
        stop: ends the work under way, of which it is given the futures, without waiting for it.
        elsewhere: the work is done in other processes than this one.
    """

    executor: Executor
    size: int
    share: int = 1
    counted: Callable[[], int] | None = None
    alive: Callable[[], bool] = lambda: True
    stop: Callable[[Iterable[Future[Any]]], None] = lambda _: None
    elsewhere: bool = True


@contextlib.contextmanager
def workers(jobs: int, cluster: str | None, on_game: Callable[[], None]) -> Iterator[Crew]:
    """The crew for a run: this process, processes of this machine, or a cluster.

    Raises:
        RunError: there is no such cluster.
    """
    if cluster is not None:
        with _cluster(cluster) as crew:
            yield crew
    elif jobs == 1:
        work.on_game = on_game
        try:
            yield Crew(_Here(), 1, elsewhere=False)
        finally:
            work.on_game = None
    else:
        # New processes, not copies of this one: it may have threads.
        context = multiprocessing.get_context("spawn")
        with held():
            # It hears neither Ctrl-C nor SIGTERM; a terminal that closes must not end it either.
            with deaf_from_birth(*ENDING):
                resource_tracker.ensure_running()
            counter = context.Value("q", 0)
            pool = ProcessPoolExecutor(
                jobs, mp_context=context, initializer=work.begin_worker, initargs=(counter,)
            )

        def stop(_: Iterable[Future[Any]]) -> None:
            # The pool itself cancels what has not begun; a future that somebody else has
            # cancelled is a traceback of the pool's thread when a worker dies.
            for child in multiprocessing.active_children():
                child.terminate()

        try:
            yield Crew(pool, jobs, jobs, counted=lambda: int(counter.value), stop=stop)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


@contextlib.contextmanager
def _cluster(address: str) -> Iterator[Crew]:
    import logging

    from distributed import Client

    # It tells of lost workers in its own words; we tell in ours.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        client: Any = Client(address, timeout=ANSWER, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as err:
        raise RunError(f"{address}: no scheduler answers there") from err
    try:
        try:
            client.wait_for_workers(1, timeout=ANSWER)
        except TimeoutError as err:
            raise RunError(f"{address}: the scheduler has no workers") from err
        threads: dict[str, int] = client.nthreads()
        hosts: Counter[str] = Counter()
        for worker, count in threads.items():
            hosts[worker.rpartition(":")[0]] += count
        seen = time.monotonic()

        def alive() -> bool:
            nonlocal seen
            try:
                here = bool(client.nthreads())
            except Exception:  # whatever a lost connection is called
                return False
            seen = time.monotonic() if here else seen
            return time.monotonic() - seen < ALONE

        def stop(under_way: Iterable[Future[Any]]) -> None:
            for future in under_way:
                future.cancel()

        executor = client.get_executor(pure=False)
        yield Crew(executor, sum(threads.values()), max(hosts.values()), alive=alive, stop=stop)
    finally:
        client.close(timeout=5)
