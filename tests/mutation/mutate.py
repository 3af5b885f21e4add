"""Change the kernels, one operator or number at a time, and see whether their tests notice.

    python tests/mutation/mutate.py                    # all kernels, all mutants
    python tests/mutation/mutate.py flow pull          # kernels with these names
    python tests/mutation/mutate.py --sample 200 --seed 3 --out survivors.csv
    python tests/mutation/mutate.py --again survivors.csv    # those alone, once tests are written

Each mutant is written into a copy of the package, and only the tests that `kernels.csv` names for
its module are run, up to the first failure. Tests that run the whole sample are left out. A mutant
that nothing notices survives; those that change nothing stand in `equivalent.csv` with the reason,
and do not count. Exit code 1 if fewer are killed than `--least` asks for.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
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
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest
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
KILLED, SURVIVED, TIMED_OUT = "killed", "survived", "timed out"
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
            if not any(name.startswith("sample_") for name in item.fixturenames)
        ]


def read_rows(name: str) -> list[dict[str, str]]:
    """Read a table of this folder."""
    with (HERE / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def run_tests(folder: Path, tests: list[str], limit_s: float, *, is_base: bool) -> str:
    """Run tests in a process of their own and say how they ended."""
    child = os.fork()
    if child == 0:
        _run_child(folder, tests, is_base=is_base)
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return SURVIVED if os.waitstatus_to_exitcode(status) == 0 else KILLED
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return TIMED_OUT


def _run_child(folder: Path, tests: list[str], *, is_base: bool) -> None:
    """Run the tests on the package in a folder; never returns."""
    code = 99
    try:
        os.chdir(folder)
        sys.path[:0] = [str(folder)]
        sys.dont_write_bytecode = not is_base
        log = os.open(folder / "log.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(log, 1)
        os.dup2(log, 2)
        words = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *tests]
        code = int(pytest.main(words, plugins=[Quick()]))
        routekit = sys.modules.get("routekit")
        if is_base and (routekit is None or not str(routekit.__file__).startswith(str(folder))):
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


def try_mutants(jobs: list[tuple[str, list[str], list[Mutant]]]) -> list[tuple[str, str, Mutant]]:
    """Try the mutants of some modules in a copy of the package: state, module, mutant."""
    for name in PRELOADED:
        with contextlib.suppress(ImportError):
            __import__(name)
    with tempfile.TemporaryDirectory(prefix="mutants-") as name:
        folder = Path(name).resolve()
        copy_package(folder)
        return [row for job in jobs for row in _try_module(folder, *job)]


def _try_module(
    folder: Path, module: str, tests: list[str], mutants: list[Mutant]
) -> list[tuple[str, str, Mutant]]:
    """Try the mutants of one module."""
    path = folder / "routekit" / module
    sound = path.read_text(encoding="utf-8")
    begin = time.monotonic()
    state = run_tests(folder, tests, 600, is_base=True)
    if state != SURVIVED:
        log = (folder / "log.txt").read_text(encoding="utf-8")[-2000:]
        message = f"{module}: its tests do not pass without a change ({state})\n{log}"
        raise RuntimeError(message)
    limit_s = 20 + 5 * (time.monotonic() - begin)
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        compiled.unlink()
    found = []
    for mutant in mutants:
        path.write_text(mutant.write(sound), encoding="utf-8")
        state = run_tests(folder, tests, limit_s, is_base=False)
        found.append((state, module, mutant))
        if state == SURVIVED:
            print(f"{module}:{mutant.line} {mutant.before} -> {mutant.after}", flush=True)
    path.write_text(sound, encoding="utf-8")
    print(f"{module}: {len(mutants)} tried in {time.monotonic() - begin:.0f} s", flush=True)
    return found


def plan_jobs(args: argparse.Namespace) -> list[tuple[str, list[str], list[Mutant]]]:
    """Make the mutants, leave out the equivalent ones, and take the sample."""
    same = {
        (row["module"], row["function"], row["before"], row["after"], row["nth"])
        for row in read_rows("equivalent.csv")
    }
    chosen: list[tuple[str, Mutant]] = []
    tests: dict[str, list[str]] = {}
    for row in read_rows("kernels.csv"):
        module = row["module"]
        if args.kernels and Path(module).stem not in args.kernels:
            continue
        tests[module] = row["tests"].split()
        text = (ROOT / "routekit" / module).read_text(encoding="utf-8")
        mutants = [m for m in make_mutants(text) if (Path(module).name, *m.key) not in same]
        chosen += [(module, mutant) for mutant in mutants]
    if args.again:
        with args.again.open(encoding="utf-8", newline="") as stream:
            known = {tuple(row[name] for name in NAMED) for row in csv.DictReader(stream)}
        chosen = [(name, mutant) for name, mutant in chosen if (name, *mutant.key) in known]
    if args.sample and args.sample < len(chosen):
        picked = sorted(random.Random(args.seed).sample(range(len(chosen)), args.sample))
        chosen = [chosen[place] for place in picked]
    return [(name, tests[name], [m for n, m in chosen if n == name]) for name in tests]


def show(found: list[tuple[str, str, Mutant]], out: Path | None) -> float:
    """Print the score by module and the survivors; give the share killed."""
    tally = Counter((module, state) for state, module, _ in found)
    for module in dict.fromkeys(module for _, module, _ in found):
        states = {state: tally[module, state] for state in (KILLED, TIMED_OUT, SURVIVED)}
        total = sum(states.values())
        share = 1 - states[SURVIVED] / total
        print(f"{module:32} {total:5} mutants, {states[SURVIVED]:4} survive, {share:7.1%} killed")
    rows = [
        (state, module, m.line, m.function, m.before, m.after, m.nth)
        for state, module, m in found
        if state == SURVIVED
    ]
    if out:
        with out.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream, lineterminator="\n").writerows([COLUMNS, *rows])
    for row in rows:
        print(*row, sep=" | ")
    share = 1 - len(rows) / max(len(found), 1)
    print(f"{len(found)} mutants, {len(found) - len(rows)} killed: {share:.1%}")
    return share


def main() -> int:
    """Read the call, try the mutants, show the score."""
    parser = argparse.ArgumentParser(description="Mutation check of the kernels.")
    parser.add_argument("kernels", nargs="*", help="names of modules; all where none is named")
    parser.add_argument("--sample", type=int, default=0, help="how many mutants; all where 0")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, choices=(1, 2))
    parser.add_argument("--least", type=float, default=0.95, help="share to be killed")
    parser.add_argument("--again", type=Path, help="CSV of survivors: try these alone")
    parser.add_argument("--out", type=Path, help="CSV of the survivors")
    args = parser.parse_args()
    jobs = [job for job in plan_jobs(args) if job[2]]
    jobs.sort(key=lambda job: -len(job[2]))
    shares = [jobs[rank :: args.jobs] for rank in range(args.jobs)]
    with ProcessPoolExecutor(args.jobs, mp_context=get_context("spawn")) as pool:
        found = [row for part in pool.map(try_mutants, filter(None, shares)) for row in part]
    return 0 if show(found, args.out) >= args.least else 1


if __name__ == "__main__":
    sys.exit(main())
