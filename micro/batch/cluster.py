"""Fields over the workers of a dask scheduler; workers see the same folders under the same names."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from micro.batch.job import Job, Outcome, failed, measure_one
from micro.errors import InputError, UsageError
from micro.processes import prepare_process

RETRIES = 3
SECONDS_TO_ANSWER = 20


def on_cluster(jobs: list[Job], scheduler: str) -> Iterator[tuple[int, Outcome]]:
    """Yield the number and outcome of every job as it ends; a lost worker's jobs go to the others.

    Parameters
    ----------
    jobs
        What to measure. Every worker must be able to read the pictures and write the results folder.
    scheduler
        Address of a dask scheduler, such as tcp://host:8786.

    Raises
    ------
    UsageError
        Where the extra is not installed, or the scheduler does not answer.
    """
    client = _client(scheduler)
    with client:
        from distributed import as_completed

        client.run(prepare_process)
        waiting = {
            client.submit(
                measure_one, _anywhere(job), key=f"{job.field.stem}-{number}", retries=RETRIES, pure=False
            ): number
            for number, job in enumerate(jobs)
        }
        for future in as_completed(waiting):
            number = waiting[future]
            yield number, _outcome(future, jobs[number])


def _anywhere(job: Job) -> Job:
    """Return the job with paths that do not depend on a worker's working folder."""
    return replace(job, out=job.out.resolve(), field=replace(job.field, image=job.field.image.resolve()))


def _client(scheduler: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise UsageError("--scheduler", "needs the cluster extra", 'install it: pip install "micro[cluster]"') from None
    try:
        return Client(scheduler, timeout=SECONDS_TO_ANSWER)
    except (OSError, ValueError) as trouble:
        problem = f"{scheduler} does not answer ({str(trouble)[:80] or type(trouble).__name__})"
        raise UsageError("--scheduler", problem, "start a scheduler there, or leave the option out") from None


def _outcome(future: Any, job: Job) -> Outcome:
    from distributed.scheduler import KilledWorker

    try:
        return future.result()
    except KilledWorker:
        line = InputError(job.field.image, "ended every worker that measured it", "give workers more memory")
        return failed(job, str(line), 0.0)
