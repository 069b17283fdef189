"""The next blocks are read and worked on while the present one is used."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from queue import Full, Queue
from threading import Event, Thread
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")

_DEPTH = 2  # blocks that wait: enough to keep both sides busy, few enough for memory to stay bounded
_LOOK_UP_S = 0.1  # how often a reader with a full queue looks whether anyone still wants its blocks
_WORKERS = min(os.cpu_count() or 1, 4)  # more would only wait for whoever reads the file and joins the results


def prefetch_map(work: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
    """`work` of each item, in the order of the items, several at once in threads.

    It pays for work that releases Python's lock, as compiled kernels do. An error in `items` is raised after the
    results of the items before it.
    """
    ahead: deque[Future[R]] = deque()
    error: BaseException | None = None
    source = iter(items)
    with ThreadPoolExecutor(_WORKERS, thread_name_prefix="work ahead") as pool:
        while True:
            try:
                item = next(source)
            except StopIteration:
                break
            except Exception as raised:
                error = raised
                break
            ahead.append(pool.submit(work, item))
            if len(ahead) > _WORKERS:
                yield ahead.popleft().result()
        while ahead:
            yield ahead.popleft().result()
    if error is not None:
        raise error


@dataclass(frozen=True, slots=True)
class _End:
    """Behind the last item; with the error that ended the items, if one did."""

    error: BaseException | None = None


def prefetch(items: Iterable[T]) -> Iterator[T]:
    """The same items in the same order, made in a thread that is up to a few of them ahead.

    An error in `items` is raised where it would have been without the thread. The thread begins when the first
    item is asked for, and has ended when the iterator is exhausted or closed.
    """
    queue: Queue[Any] = Queue(_DEPTH)
    unwanted = Event()
    thread = Thread(target=_fill, args=(items, queue, unwanted), name="read ahead", daemon=True)
    thread.start()
    try:
        while not isinstance(item := queue.get(), _End):
            yield item
        if item.error is not None:
            raise item.error
    finally:
        unwanted.set()
        thread.join()


def _fill(items: Iterable[Any], queue: Queue[Any], unwanted: Event) -> None:
    end = _End()
    try:
        for item in items:
            if not _put(queue, item, unwanted):
                break
    except BaseException as error:  # whatever it is, it belongs to whoever asked for the items
        end = _End(error)
    finally:
        if close := getattr(items, "close", None):  # a generator frees its files here and now
            close()
    _put(queue, end, unwanted)


def _put(queue: Queue[Any], item: object, unwanted: Event) -> bool:
    """Whether somebody still wants the item."""
    while not unwanted.is_set():
        try:
            queue.put(item, timeout=_LOOK_UP_S)
        except Full:
            continue
        return True
    return False
