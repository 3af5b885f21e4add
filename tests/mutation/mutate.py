"""Change the kernels, one operator or number at a time, and see whether their tests notice.

    python tests/mutation/mutate.py                    # all kernels, all mutants
    python tests/mutation/mutate.py flow pull          # kernels with these names
    python tests/mutation/mutate.py --each 40 --seed 3 --out survivors.csv    # 40 of each kernel
    python tests/mutation/mutate.py --again survivors.csv    # those alone, once tests are written

Only the tests that `kernels.csv` names for the module of a mutant are run, up to the first failure:
first in a fork, with the mutant's code in the function, and what survives there once more with the
mutant written into a copy of the package. `--once` leaves out that second try, mutants that
cannot be put in so (defaults in a class), and tests of more than 1 s: at worst it calls a mutant
alive that they would have killed. Tests that run the whole sample are left out. With `--minutes`,
kernels that are not begun by then are left out of the score; the seed draws their order.

A mutant that nothing notices survives; those that change nothing stand in `equivalent.csv` with the
reason, and do not count. Of a sample, the share killed is told with its exact binomial interval
(95 %), and once more with each kernel weighed by all its mutants. Exit code 1 if the lesser of the
two is below `--least`, 2 if the tests of a kernel do not pass without a change.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import json
import math
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest
from forked import KILLED, SURVIVED, TIMED_OUT, ForkedRun, Job
from mutants import Mutant, make_mutants

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
COPIED = ("routekit", "tests", "sample_gis", "pyproject.toml")
PRELOADED = (
    "numpy",
    "pandas",
    "pyarrow",
    "shapely",
    "geopandas",
    "pyogrio",
    "scipy.optimize",
    "scipy.spatial",
    "scipy.sparse.csgraph",
)
WHOLE_RUNS = ("sample_", "avenue_by_rule")
LONGEST_S = 1.0
FOREVER = 1e9
NAMED = ("module", "function", "before", "after", "nth")
COLUMNS = ("state", "module", "line", "function", "before", "after", "nth")


class Quick:
    """Leave out tests that run the whole sample, and try few of the drawn examples."""

    def pytest_configure(self) -> None:
        """Draw the same few examples each time, unless a test says how many."""
        from hypothesis import settings  # noqa: PLC0415

        settings.register_profile("mutants", max_examples=10, derandomize=True, deadline=None)
        settings.load_profile("mutants")

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        """Keep the tests that need no sample."""
        items[:] = [
            item
            for item in items
            if not any(name.startswith(WHOLE_RUNS) for name in item.fixturenames)
        ]


def read_rows(name: str) -> list[dict[str, str]]:
    """Read a table of this folder."""
    with (HERE / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def run_tests(
    folder: Path, tests: list[str], limit_s: float, *, forked: ForkedRun | None = None
) -> str:
    """Run tests in a process of their own and say how they ended."""
    child = os.fork()
    if child == 0:
        _run_child(folder, tests, forked)
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return SURVIVED if os.waitstatus_to_exitcode(status) == 0 else KILLED
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return TIMED_OUT


def _run_child(folder: Path, tests: list[str], forked: ForkedRun | None) -> None:
    """Run the tests on the package in a folder; never returns."""
    code = 99
    try:
        os.chdir(folder)
        sys.path[:0] = [str(folder)]
        sys.dont_write_bytecode = forked is None
        log = os.open(folder / "log.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(log, 1)
        os.dup2(log, 2)
        words = ["-q" if forked else "-xq", "-p", "no:cacheprovider", "-p", "no:xdist", *tests]
        words.append(f"--basetemp={folder / 'basetemp'}")
        code = int(pytest.main(words, plugins=[Quick(), *filter(None, [forked])]))
        if forked is not None:
            code = 0 if code in (0, 1, 5) else code  # the states say of which module no test passed
            states = json.dumps([(job.base_s, list(job.states.items())) for job in forked.jobs])
            (folder / "states.json").write_text(states, encoding="utf-8")
        routekit = sys.modules.get("routekit")
        if forked is not None and (
            routekit is None or not str(routekit.__file__).startswith(str(folder))
        ):
            code = 98
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def copy_package(folder: Path) -> None:
    """Copy the package and its tests, and compile them."""
    leave = shutil.ignore_patterns("__pycache__", "*.pyc", ".venv")
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=leave)
        else:
            shutil.copyfile(source, folder / name)
    subprocess.run([sys.executable, "-m", "compileall", "-q", "routekit"], cwd=folder, check=True)


def try_mutants(jobs: list[Job], *, once: bool, minutes: float) -> list[tuple[str, str, Mutant]]:
    """Try the mutants of some modules in a copy of the package: state, module, mutant."""
    for name in PRELOADED:
        with contextlib.suppress(ImportError):
            __import__(name)
    with tempfile.TemporaryDirectory(prefix="mutants-") as name:
        folder = Path(name).resolve()
        copy_package(folder)
        return try_in(folder, jobs, once=once, minutes=minutes)


def try_in(
    folder: Path, jobs: list[Job], *, once: bool = False, minutes: float = FOREVER
) -> list[tuple[str, str, Mutant]]:
    """Try the mutants on the package in a folder; none of a module whose tests do not pass."""
    forked = ForkedRun(jobs, folder, longest_s=LONGEST_S if once else math.inf, minutes=minutes)
    tests = sorted({name for job in jobs for name in job.tests})
    state = run_tests(folder, tests, 36000, forked=forked)
    if state != SURVIVED:
        log = (folder / "log.txt").read_text(encoding="utf-8")[-2000:]
        print(f"the tests could not be run ({state})\n{log}", flush=True)
        return []
    rows = json.loads((folder / "states.json").read_text(encoding="utf-8"))
    found = []
    for job, (base_s, states) in zip(jobs, rows, strict=True):
        if base_s is None:
            continue
        if math.isnan(base_s):
            print(f"{job.module}: its tests do not pass without a change", flush=True)
            continue
        job.base_s, job.states = base_s, dict(states)
        found += _try_copies(folder, job, once=once)
    return found


def _try_copies(folder: Path, job: Job, *, once: bool) -> list[tuple[str, str, Mutant]]:
    """Try those that were not put in, and the survivors once more, written into the package."""
    path = folder / "routekit" / job.module
    sound = path.read_text(encoding="utf-8")
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        compiled.unlink()
    for place, mutant in enumerate(job.mutants):
        if not once and job.states.get(place, SURVIVED) == SURVIVED:
            path.write_text(mutant.write(sound), encoding="utf-8")
            job.states[place] = run_tests(folder, job.tests, 60 + 20 * (job.base_s or 0.0))
    path.write_text(sound, encoding="utf-8")
    return [(state, job.module, job.mutants[place]) for place, state in job.states.items()]


def list_mutants(names: list[str]) -> tuple[dict[str, list[Mutant]], Counter[str]]:
    """List the mutants by module, and count the equivalent ones, which are left out."""
    same = {
        (row["module"], *(row[name] for name in NAMED[1:])) for row in read_rows("equivalent.csv")
    }
    left: dict[str, list[Mutant]] = {}
    equivalent: Counter[str] = Counter()
    for row in read_rows("kernels.csv"):
        module = row["module"]
        if names and Path(module).stem not in names:
            continue
        mutants = make_mutants((ROOT / "routekit" / module).read_text(encoding="utf-8"))
        left[module] = [m for m in mutants if (Path(module).name, *m.key) not in same]
        equivalent[module] = len(mutants) - len(left[module])
    return left, equivalent


def choose(left: dict[str, list[Mutant]], args: argparse.Namespace) -> dict[str, list[Mutant]]:
    """Take those that an earlier try left, and a sample of each module."""
    if args.again:
        with args.again.open(encoding="utf-8", newline="") as stream:
            known = {tuple(row[name] for name in NAMED) for row in csv.DictReader(stream)}
        left = {name: [m for m in some if (name, *m.key) in known] for name, some in left.items()}
    if not args.each:
        return left
    return {
        name: random.Random(f"{args.seed} {name}").sample(some, min(args.each, len(some)))
        for name, some in left.items()
    }


def plan_jobs(chosen: dict[str, list[Mutant]], seed: int) -> list[Job]:
    """Pair the mutants of each module with its tests, in an order drawn by the seed."""
    tests = {row["module"]: row["tests"].split() for row in read_rows("kernels.csv")}
    jobs = [Job(name, tests[name], some) for name, some in chosen.items() if some]
    random.Random(seed).shuffle(jobs)
    return jobs


def show(
    found: list[tuple[str, str, Mutant]],
    left: dict[str, list[Mutant]],
    equivalent: Counter[str],
) -> float:
    """Print the score by module, the survivors and the score; give the lesser share killed."""
    from scipy.stats import binomtest  # noqa: PLC0415

    tally = Counter((module, state != SURVIVED) for state, module, _ in found)
    print(
        f"\n{'kernel':28} {'mutants':>7} {'same':>5} {'tried':>5} {'killed':>6} {'live':>5}  score"
    )
    killed = 0.0
    tried = {module: tally[module, True] + tally[module, False] for module in left}
    whole = sum(len(some) for module, some in left.items() if tried[module])
    for module, some in left.items():
        if not tried[module]:
            continue
        count, total = tried[module], len(some)
        share = tally[module, True] / count
        killed += total / whole * share
        print(
            f"{module:28} {total + equivalent[module]:7} {equivalent[module]:5} {count:5}"
            f" {tally[module, True]:6} {tally[module, False]:5} {share:6.1%}"
        )
    for state, module, mutant in found:
        if state == SURVIVED:
            print(module, mutant.line, *mutant.key, sep=" | ")
    dead = sum(state != SURVIVED for state, _, _ in found)
    band = binomtest(dead, max(len(found), 1)).proportion_ci(method="exact")
    print(f"{len(found)} of {whole} tried, {dead} killed: {dead / max(len(found), 1):.1%}", end="")
    print(f" ({band.low:.1%} to {band.high:.1%}), weighed by mutants of each kernel {killed:.1%}")
    return min(killed, dead / max(len(found), 1))


def write_survivors(found: list[tuple[str, str, Mutant]], out: Path) -> None:
    """Write the survivors, to be tried alone once tests are written."""
    rows = [
        (state, module, m.line, m.function, m.before, m.after, m.nth)
        for state, module, m in found
        if state == SURVIVED
    ]
    with out.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows([COLUMNS, *rows])


def main() -> int:
    """Read the call, try the mutants, show the score."""
    parser = argparse.ArgumentParser(description="Mutation check of the kernels.")
    parser.add_argument("kernels", nargs="*", help="names of modules; all where none is named")
    parser.add_argument("--each", type=int, default=0, help="how many of each kernel; all where 0")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, choices=(1, 2))
    parser.add_argument("--least", type=float, default=0.95, help="share to be killed")
    parser.add_argument("--once", action="store_true", help="no long tests, no second try")
    parser.add_argument("--minutes", type=float, default=FOREVER, help="begin no kernel later")
    parser.add_argument("--again", type=Path, help="CSV of survivors: try these alone")
    parser.add_argument("--out", type=Path, help="CSV of the survivors")
    args = parser.parse_args()
    left, equivalent = list_mutants(args.kernels)
    jobs = plan_jobs(choose(left, args), args.seed)
    shares = [jobs[rank :: args.jobs] for rank in range(args.jobs)]
    attempt = partial(try_mutants, once=args.once, minutes=args.minutes)
    with ProcessPoolExecutor(args.jobs, mp_context=get_context("spawn")) as pool:
        found = [row for part in pool.map(attempt, filter(None, shares)) for row in part]
    if args.out:
        write_survivors(found, args.out)
    share = show(found, left, equivalent)
    tried = {module for _, module, _ in found}
    print(f"{len(tried)} of {len(jobs)} kernels")
    if len(tried) < len(jobs) and args.minutes == FOREVER:
        return 2
    return 0 if share >= args.least else 1


if __name__ == "__main__":
    sys.exit(main())
