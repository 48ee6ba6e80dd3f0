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
from convert.rim.stopping import ENDING

T = TypeVar("T")

ALONE = 60.0
"""Seconds that a cluster may be without any worker."""

ANSWER = 20.0
"""Seconds within which a scheduler answers."""


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
        size: workers there are now.
        share: workers to one machine now.
        counted: games that the workers have read so far; None where they do not tell.
        gone: why nobody is there to work, in words; None as long as that may be waited for.
        stop: ends the work under way, of which it is given the futures, without waiting for it.
        elsewhere: the work is done in other processes than this one.
    """

    executor: Executor
    size: Callable[[], int]
    share: Callable[[], int] = lambda: 1
    counted: Callable[[], int] | None = None
    gone: Callable[[], str | None] = lambda: None
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
            yield Crew(_Here(), lambda: 1, elsewhere=False)
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
            yield Crew(
                pool,
                lambda: jobs,
                lambda: jobs,
                counted=lambda: int(counter.value),
                stop=stop,
            )
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
        present = _Present(client, address)

        def stop(under_way: Iterable[Future[Any]]) -> None:
            for future in under_way:
                future.cancel()

        executor = client.get_executor(pure=False)
        yield Crew(executor, present.size, present.share, gone=present.gone, stop=stop)
    finally:
        client.close(timeout=5)


class _Present:
    """The workers of a cluster, which come and go while it works; asked for once a second."""

    def __init__(self, client: Any, address: str):
        self.client = client
        self.address = address
        self.threads: dict[str, int] = {}
        self.any = False
        self.asked = float("-inf")
        self.seen = time.monotonic()
        self.lost = False

    def _look(self) -> None:
        now = time.monotonic()
        if now - self.asked < 1:
            return
        self.asked = now
        try:
            self.threads = dict(self.client.nthreads())
        except Exception:  # whatever a lost connection is called
            self.lost = True
            return
        if self.threads:
            self.any, self.seen = True, time.monotonic()

    def size(self) -> int:
        self._look()
        return sum(self.threads.values())

    def share(self) -> int:
        hosts: Counter[str] = Counter()
        for worker, count in self.threads.items():
            hosts[worker.rpartition(":")[0]] += count
        return max(hosts.values(), default=1)

    def gone(self) -> str | None:
        self._look()
        if self.lost:
            return f"{self.address}: the scheduler is gone"
        if self.threads or time.monotonic() - self.seen < ALONE:
            return None
        what = "no workers are left" if self.any else "the scheduler has no workers"
        return f"{self.address}: {what}"
