"""Tasks over recordings in this process, in several, or on a cluster, with equal results in equal order."""

import contextlib
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from tapsig.errors import ParameterError

Task = TypeVar("Task")
Result = TypeVar("Result")


def run_tasks(
    function: Callable[[Task], Result], tasks: Iterable[Task], *, jobs: int = 1, cluster: str | None = None
) -> Iterator[Result]:
    """`function` of each task, in order; tasks are drawn as they are needed.

    Parameters
    ----------
    jobs : processes on this machine.
    cluster : address of a Dask scheduler, such as tcp://10.0.0.5:8786; its workers are used instead. They need
        tapsig installed, and the corpus under the same path.

    Raises ParameterError for jobs below 1, or a cluster that does not answer.
    """
    if not isinstance(jobs, int) or jobs < 1:
        raise ParameterError(f"jobs is {jobs!r:.80}; it must be a whole number from 1")
    if cluster is not None and not isinstance(cluster, str):
        raise ParameterError(f"cluster is {cluster!r:.80}; it must be an address, such as tcp://10.0.0.5:8786")
    if jobs == 1 and cluster is None:
        yield from map(function, tasks)
        return
    from joblib import Parallel, delayed, parallel_config  # heavy

    with contextlib.ExitStack() as stack:
        if cluster is not None:
            stack.enter_context(_connect(cluster))
            stack.enter_context(parallel_config(backend="dask"))
            jobs = -1  # all of its workers
        yield from Parallel(n_jobs=jobs, return_as="generator")(delayed(function)(task) for task in tasks)


@contextlib.contextmanager
def _connect(address: str) -> Iterator[None]:
    try:
        from distributed import Client
    except ImportError as error:
        raise ParameterError("a cluster needs one more package: pip install 'tapsig[cluster]'") from error
    try:
        client = Client(address, timeout=10, set_as_default=True)
    except (OSError, ValueError, TimeoutError) as error:
        raise ParameterError(f"no Dask scheduler answers at {address!r} ({error}); give its tcp:// address") from error
    with client:
        yield
