"""Parts judged by the workers of a Dask cluster: the same function over the same parts."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from typing import Any, Final

from routekit.errors import StudyError

_RETRIES: Final = 2
"""So often a part whose worker is lost or fails is judged again."""
_WAIT_S: Final = 30.0
"""So long the scheduler is waited for."""


@contextmanager
def open_cluster(address: str) -> Iterator[Executor]:
    """Open a cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, such as tcp://host:8786.

    Yields
    ------
    concurrent.futures.Executor

    Raises
    ------
    StudyError
        If Dask is not installed, or the scheduler does not answer.
    """
    try:
        from distributed import Client  # noqa: PLC0415 - an extra of the package
    except ImportError:
        message = "--scheduler needs Dask; install routekit[cluster]"
        raise StudyError(message) from None
    try:
        connect: Any = Client
        client = connect(address, timeout=_WAIT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        message = f"--scheduler {address}: no scheduler answers there ({error}); start one there"
        raise StudyError(message) from None
    with client:
        yield client.get_executor(retries=_RETRIES, pure=False)
