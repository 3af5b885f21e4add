"""What is costly and the same for all tests, made by the process that asks for it first."""

import os
import pickle
from contextlib import contextmanager

try:
    import fcntl
except ImportError:
    fcntl = None


def find_shared_folder(tmp_path_factory, name):
    """A folder of this run of the tests, the same for all its processes."""
    folder = tmp_path_factory.getbasetemp()
    # Without a lock, each process makes its own.
    if fcntl is not None and "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent
    folder = folder / f"shared-{name}"
    folder.mkdir(exist_ok=True)
    return folder


def make_shared(folder, name, make):
    """What the first process that asks for it made; the others wait for that, and read it."""
    kept = folder / f"{name}.pickle"
    with _locked(folder / f"{name}.lock"):
        if kept.exists():
            return pickle.loads(kept.read_bytes())
        made = make()
        kept.write_bytes(pickle.dumps(made, protocol=pickle.HIGHEST_PROTOCOL))
        return made


@contextmanager
def _locked(path):
    """Hold a file, which a process that dies lets go."""
    with path.open("w") as stream:
        if fcntl is not None:
            fcntl.flock(stream, fcntl.LOCK_EX)
        yield
