"""Many captures measured at once, each as a task of its own, on this machine's cores or on a cluster.

Problem: a thousand captures take minutes one after the other. Plan: a task measures one capture and keeps its
result; whoever asked then finds it. So no numbers travel between processes, their order does not matter, and
what is found is to the bit what one process would have measured. A pool of processes does the tasks, or Dask
workers that see the same folders. Cost: starting the processes, about a second, so that a few captures are
measured without.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from rig.capture import content_files
from rig.errors import InputError, RecorderError, RigError
from rig.results.analysing import Asked, analyse_capture
from rig.results.progress import Progress, no_progress
from rig.results.spilled import SpilledRows

WORTH_BYTES = 1 << 23
EACH_BYTES = 1 << 18
"""Captures that hold less than the first, each counted with the second on top for what it costs whatever its
length, are measured in some three seconds: starting processes would not pay."""

ATTEMPTS = 2
"""A task whose worker dies is tried once more: another program may have taken the memory for a moment."""

Task = tuple[Path, Asked]
Measure = Callable[[Path, Asked], None]


@dataclass(frozen=True, slots=True)
class Workers:
    """Who measures.

    Parameters
    ----------
    processes
        On this machine; None for one per core.
    scheduler
        Address of a Dask scheduler, such as tcp://10.0.0.5:8786, to whose workers the captures have the same
        paths; None for this machine.
    """

    processes: int | None = None
    scheduler: str | None = None


def measure_ahead(
    tasks: Sequence[Task],
    workers: Workers | None = None,
    *,
    measure: Measure | None = None,
    ending: str = ".arrow",
    progress: Progress = no_progress,
) -> tuple[bool, list[str]]:
    """Measure captures that have no kept result yet, and keep their results.

    What a capture refuses is not told here: whoever asks for its result meets the same refusal.

    Parameters
    ----------
    measure
        Measures one capture and keeps what it found, and raises nothing of `rig.errors`; by default
        `keep_measured`.
    ending
        Of the names of the files in which `measure` keeps what it found.

    Returns
    -------
    Whether it paid, so that all results are new, and sentences about it.

    Raises
    ------
    RecorderError
        If workers die again at the second attempt; the captures that were not finished are named.
    """
    workers = workers or Workers()
    measure = measure or keep_measured
    left = [
        (path, asked)
        for path, asked in tasks
        if asked.fresh or not asked.kept_at(path).path.with_suffix(ending).is_file()
    ]
    count = workers.processes or os.cpu_count() or 1
    effort = sum(EACH_BYTES + sum(file.stat().st_size for file in content_files(path)) for path, _ in left)
    if not left or effort < WORTH_BYTES or (count == 1 and workers.scheduler is None):
        return False, []
    total, notes = len(left), list[str]()
    with progress("measuring at once", total) as show:

        def finished(task: Task) -> None:
            left.remove(task)
            show(total - len(left), task[0].name)

        if workers.scheduler is not None:
            _on_cluster(left, workers.scheduler, finished, measure)
            return True, []
        for attempt in range(1, ATTEMPTS + 1):
            if _in_pool(list(left), min(count, len(left)), finished, measure):
                break
            if attempt == ATTEMPTS:
                names = ", ".join(str(path) for path, _ in left[:5]) + (" ..." if len(left) > 5 else "")
                raise RecorderError(
                    f"a measuring process ended twice; not finished: {names}; use --processes 1 to find "
                    "out which one"
                )
            notes.append(f"A measuring process ended; the last {len(left)} captures were restarted.")
    return True, notes


def keep_measured(path: Path, asked: Asked) -> None:
    """Measure one capture and keep its result: the task of a worker."""
    try:
        with SpilledRows() as store:
            analyse_capture(path, asked, store)
    except RigError:
        return  # met again, with its words, by whoever asks for the result


def _in_pool(
    tasks: list[Task], processes: int, finished: Callable[[Task], None], measure: Measure = keep_measured
) -> bool:
    """Return whether a pool of processes did a task for all captures; False if one of them died."""
    methods = multiprocessing.get_all_start_methods()
    # a fork of a process with threads can hang; a server for forks imports everything once
    context: Any = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    if "forkserver" in methods:
        context.set_forkserver_preload([measure.__module__, "scipy.special"])
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        futures: dict[Future[None], Task] = {pool.submit(measure, *which): which for which in tasks}
        try:
            for future in as_completed(futures):
                future.result()
                finished(futures[future])
        except BrokenProcessPool:
            return False
        except BaseException:
            # an interrupt must not wait for all that is queued
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return True


def _on_cluster(left: list[Task], scheduler: str, finished: Callable[[Task], None], measure: Measure) -> None:
    """Let the workers of a Dask cluster do the tasks; it starts those of a lost worker again by itself."""
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        raise InputError(
            "--scheduler: needs Dask; install it with: pip install 'pressrig[cluster]'"
        ) from None
    try:
        client = distributed.Client(scheduler, timeout="10s")
    except (OSError, ValueError) as problem:
        raise InputError(f"--scheduler: no Dask scheduler answers at {scheduler!r:.80} ({problem})") from None
    with client:
        # a task that is done twice, since its worker was lost, keeps the same result
        futures = {
            client.submit(measure, path.resolve(), asked, pure=False, retries=ATTEMPTS - 1): (path, asked)
            for path, asked in list(left)
        }
        for future in distributed.as_completed(list(futures)):
            try:
                future.result()
            except distributed.KilledWorker as problem:
                raise RecorderError(
                    f"{futures[future][0]}: its workers ended repeatedly ({problem.last_worker})"
                ) from None
            finished(futures[future])
