"""Try mutants of functions in forks of a process that has imported and collected all once.

A function keeps its object and takes the mutant's code, so that whoever imported it meets the
mutant; so it does with numbers of the module and defaults of arguments. What cannot be changed so
(defaults in a class) is left to the slow way, as is every survivor: a table that a test made while
it was collected knows no mutant.
"""

from __future__ import annotations

import ast
import importlib
import math
import os
import signal
import sys
import time
import traceback
import types
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.sharedctypes import RawArray
from pathlib import Path
from typing import Any

from mutants import Mutant

KILLED, SURVIVED, TIMED_OUT = "killed", "survived", "timed out"


def find_function(module: types.ModuleType, name: str) -> types.FunctionType | None:
    """Find the function that a dotted name begins with, below its wrappers.

    Parameters
    ----------
    module : module
    name : str
        Of a function, a method or a function inside one.

    Returns
    -------
    function or None
        None where the name is that of a class or of nothing.
    """
    found: Any = module
    for part in name.split("."):
        found = vars(found).get(part)
        found = getattr(found, "__func__", getattr(found, "fget", found))
        while hasattr(found, "__wrapped__"):
            found = found.__wrapped__
        if not isinstance(found, type):
            break
    return found if isinstance(found, types.FunctionType) else None


def find_code(code: types.CodeType, qualified: str) -> types.CodeType | None:
    """Find the code of a function in that of its module."""
    for part in code.co_consts:
        if isinstance(part, types.CodeType):
            if part.co_qualname == qualified:
                return part
            inside = find_code(part, qualified)
            if inside is not None:
                return inside
    return None


def put_in(module: types.ModuleType, mutant: Mutant, source: str) -> bool:
    """Give a function the code of a mutant; false where that is not possible."""
    function = find_function(module, mutant.function) if mutant.function else None
    if function is None or function.__module__ != module.__name__:
        return False
    text = mutant.write(source)
    code = find_code(compile(text, str(module.__file__), "exec"), function.__qualname__)
    same = find_code(
        compile(ast.unparse(ast.parse(source)), str(module.__file__), "exec"),
        function.__qualname__,
    )
    if code is None or same is None or code.co_freevars != function.__code__.co_freevars:
        return False
    if code == same:  # a default of an argument: it is no part of the code
        return False
    function.__code__ = code
    return True


def put_in_values(module: types.ModuleType, mutant: Mutant, source: str) -> bool:
    """Give a module the numbers and defaults of arguments of a mutant; false where none differs.

    A number goes to whoever imported it by its name, too.
    """
    fresh = types.ModuleType(module.__name__)
    fresh.__file__ = module.__file__
    exec(compile(mutant.write(source), str(module.__file__), "exec"), vars(fresh))
    is_changed = False
    for name, old in list(vars(module).items()):
        new = vars(fresh).get(name)
        if isinstance(old, types.FunctionType) and isinstance(new, types.FunctionType):
            if old.__defaults__ != new.__defaults__ or old.__kwdefaults__ != new.__kwdefaults__:
                old.__defaults__, old.__kwdefaults__ = new.__defaults__, new.__kwdefaults__
                is_changed = True
        elif isinstance(old, int | float | tuple) and not name.startswith("__") and old != new:
            for other in list(sys.modules.values()):
                if getattr(other, "__dict__", {}).get(name) is old:
                    setattr(other, name, new)
            is_changed = True
    return is_changed


@dataclass
class Job:
    """Mutants of one module.

    Attributes
    ----------
    module : str
        Path below the package.
    tests : list of str
        Files of tests, from the folder of the package.
    mutants : list of Mutant
    base_s : float or None
        Time of the tests without a change; not a number where they fail or are none; None where
        they were not tried.
    states : dict of int to str
        By place of the mutant; those that could not be put in are missing.
    """

    module: str
    tests: list[str]
    mutants: list[Mutant]
    base_s: float | None = None
    states: dict[int, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Name of the module, as it is imported."""
        return f"routekit.{self.module[:-3].replace('/', '.')}"


class ForkedRun:
    """Collect the tests of all modules once, and run those of a module for each mutant in a fork.

    A fork that ends in any other way than by its tests says nothing: its mutant is left out.

    Parameters
    ----------
    jobs : list of Job
        Are filled in.
    folder : Path
        That holds the package and the tests.
    longest_s : float
        Tests that take longer, time of the processor, are left out.
    minutes : float
        No module is begun later.
    """

    def __init__(
        self, jobs: list[Job], folder: Path, *, longest_s: float = math.inf, minutes: float
    ) -> None:
        self.jobs, self.folder, self.longest_s = jobs, folder, longest_s
        self.end = time.monotonic() + 60 * minutes
        self.out = os.dup(1)
        self.took_s: dict[Any, float] = {}

    def pytest_runtestloop(self, session: Any) -> bool:
        """Take the place of the loop over the tests."""
        for job in self.jobs:
            if time.monotonic() > self.end:
                break
            self._try_job(session, job, self._take_items(session, job))
        return True

    def _take_items(self, session: Any, job: Job) -> list[Any]:
        """Take the tests of a module, the quick ones first; none if one fails."""
        job.base_s = math.nan
        paths = {self.folder / name for name in job.tests}
        mine = [item for item in session.items if item.path in paths]
        untimed = [item for item in mine if item not in self.took_s]
        if untimed:
            took_s = RawArray("d", [FAILED] * len(untimed))
            _fork(lambda: _time_items(session, untimed, took_s, self.longest_s), 3600)
            self.took_s.update(zip(untimed, took_s, strict=True))
        if any(self.took_s[item] == FAILED for item in mine):
            return []
        mine = [item for item in mine if self.took_s[item] <= self.longest_s]
        job.base_s = sum(self.took_s[item] for item in mine) if mine else math.nan
        by_file: Counter[Path] = Counter()
        for item in mine:
            by_file[item.path] += self.took_s[item]
        return sorted(mine, key=lambda item: (by_file[item.path], item.path, self.took_s[item]))

    def _try_job(self, session: Any, job: Job, items: list[Any]) -> None:
        """Try the mutants of one module, each in a fork, and tell how many are killed."""
        if not items or job.base_s is None:
            return
        module = importlib.import_module(job.name)
        source = (self.folder / "routekit" / job.module).read_text(encoding="utf-8")

        def run(mutant: Mutant) -> int:
            if not put_in(module, mutant, source) and not put_in_values(module, mutant, source):
                return NOT_PUT_IN
            return _run_items(session, items)

        limit_s = 15 + 20 * job.base_s
        for place, mutant in enumerate(job.mutants):
            state = _fork(lambda m=mutant: run(m), limit_s)
            if state:
                job.states[place] = state
            if state == SURVIVED:
                told = f"{job.module}:{mutant.line} {mutant.before} -> {mutant.after}\n"
                os.write(self.out, told.encode())
        told = f"{job.module}: {dict(Counter(job.states.values()))}\n"
        os.write(self.out, told.encode())


NOT_PUT_IN = 77
FAILED = -1.0


def _run_items(session: Any, items: list[Any]) -> int:
    """Run tests up to the first that fails."""
    for item, after in zip(items, [*items[1:], None], strict=True):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        if session.testsfailed:
            return 1
    return 0


def _time_items(session: Any, items: list[Any], took_s: Any, longest_s: float) -> int:
    """Run tests and note how long each takes: `FAILED` if it fails, infinite if it is cut off."""
    cut: set[Path] = set()
    signal.signal(signal.SIGPROF, _cut_off)
    for place, (item, after) in enumerate(zip(items, [*items[1:], None], strict=True)):
        begin, failed = time.process_time(), session.testsfailed
        signal.setitimer(signal.ITIMER_PROF, longest_s if math.isfinite(longest_s) else 0)
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        signal.setitimer(signal.ITIMER_PROF, 0)
        took_s[place] = time.process_time() - begin
        if session.testsfailed != failed:
            # What a file shares may have been cut off with the test that made it.
            is_cut = took_s[place] >= longest_s or item.path in cut
            cut |= {item.path} if is_cut else set()
            took_s[place] = math.inf if is_cut else FAILED
    return 0


def _cut_off(_number: int, _frame: Any) -> None:
    """End a test that takes too long."""
    raise TimeoutError


def _fork(run: Callable[[], int], limit_s: float) -> str:
    """Run in a fork and say how its tests ended; empty where they did not run to an end."""
    child = os.fork()
    if child == 0:
        code = 99
        try:
            code = run()
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            code = os.waitstatus_to_exitcode(status)
            return {0: SURVIVED, 1: KILLED}.get(code, "")
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return TIMED_OUT
