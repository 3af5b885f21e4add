"""Run the command line, as `routekit` or with `python -m routekit`."""

from __future__ import annotations

import sys


def main() -> None:
    """Load the command line and run it; who stops it while it loads gets one line, no traceback."""
    try:
        from routekit.cli import main as run  # noqa: PLC0415

        run()
    except KeyboardInterrupt:
        sys.stderr.write("routekit: stopped; earlier results are as they were\n")
        sys.exit(130)


if __name__ == "__main__":
    main()
