"""Try mutants of functions in forks of a process that has imported and collected all once.

A function keeps its object and takes the mutant's code, so that whoever imported it meets the
mutant. What cannot be changed so (constants of a module, defaults in a class) is left to the slow
way, as is every survivor: a table that a test made while it was collected knows no mutant.
"""

from __future__ import annotations

import ast
import importlib
import math
import os
import signal
import time
import types
from collections import Counter
from collections.abc import Callable
from multiprocessing.sharedctypes import RawArray
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


class ForkedRun:
    """Run the collected tests once for each mutant, in a fork.

    A fork that ends in any other way than by its tests says nothing: its mutant is left out.

    Attributes
    ----------
    base_s : float
        Time of the tests without a change; not a number where they fail.
    states : dict of int to str
        By place of the mutant; those that cannot be put in are missing.
    longest_s : float
        Tests that take longer are left out.
    """

    def __init__(
        self, module: str, source: str, mutants: list[Mutant], *, longest_s: float = math.inf
    ) -> None:
        self.module, self.source, self.mutants = module, source, mutants
        self.longest_s = longest_s
        self.base_s = float("nan")
        self.states: dict[int, str] = {}

    def pytest_runtestloop(self, session: Any) -> bool:
        """Take the place of the loop over the tests."""
        begin, took_s = time.monotonic(), RawArray("d", len(session.items))
        if not session.items or _fork(lambda: _run_items(session, took_s), 900) != SURVIVED:
            return True
        self.base_s = time.monotonic() - begin
        self._sort_items(session, list(took_s))
        module = importlib.import_module(self.module)
        for place, mutant in enumerate(self.mutants):
            state = _fork(lambda m=mutant: self._run_one(session, module, m), 20 + 5 * self.base_s)
            if state:
                self.states[place] = state
        return True

    def _sort_items(self, session: Any, took_s: list[float]) -> None:
        """Put the quick tests first, file by file, and leave the longest out."""
        timed = list(zip(took_s, session.items, strict=True))
        by_file: Counter[str] = Counter()
        for time_s, item in timed:
            by_file[str(item.path)] += time_s
        timed.sort(key=lambda one: (by_file[str(one[1].path)], str(one[1].path), one[0]))
        session.items[:] = [item for time_s, item in timed if time_s <= self.longest_s]

    def _run_one(self, session: Any, module: types.ModuleType, mutant: Mutant) -> int:
        """Put the mutant in and run the tests."""
        return _run_items(session) if put_in(module, mutant, self.source) else NOT_PUT_IN


NOT_PUT_IN = 77


def _run_items(session: Any, took_s: Any = None) -> int:
    """Run the tests up to the first that fails; note how long each takes."""
    items = session.items
    for place, (item, after) in enumerate(zip(items, [*items[1:], None], strict=True)):
        begin = time.monotonic()
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        if session.testsfailed:
            return 1
        if took_s is not None:
            took_s[place] = time.monotonic() - begin
    return 0


def _fork(run: Callable[[], int], limit_s: float) -> str:
    """Run in a fork and say how its tests ended; empty where they did not run to an end."""
    child = os.fork()
    if child == 0:
        code = 99
        try:
            code = run()
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
