"""Run the command line, as `routekit` or with `python -m routekit`."""

from __future__ import annotations

import atexit
import gc
import sys


def main() -> None:
    """Load the command line and run it; who stops it while it loads gets one line, no traceback."""
    # At its end the interpreter looks through all objects for rings; the system takes them faster.
    atexit.register(gc.freeze)
    try:
        from routekit.cli import main as run  # noqa: PLC0415

        run()
    except KeyboardInterrupt:
        sys.stderr.write("routekit: stopped; earlier results are as they were\n")
        sys.exit(130)


if __name__ == "__main__":
    main()
