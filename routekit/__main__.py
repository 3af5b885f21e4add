"""Run the command line with `python -m routekit`."""

from routekit.cli import main

main()
