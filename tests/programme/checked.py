"""Rules of a programme checked day by day; nothing of the package is used here."""

from collections import Counter
from itertools import combinations


def list_faults(days, gang, gangs, alone, before, is_open, start):
    """Say which rules a programme breaks: nothing where it keeps them all."""
    held = [set(range(int(s), int(s) + int(d))) for s, d in zip(start, days, strict=True)]
    faults = [f"{one} starts before the start" for one, s in enumerate(start) if s < 0]
    for one, its in enumerate(held):
        closed = [day for day in its if day >= len(is_open[one]) or not is_open[one][day]]
        if closed:
            faults.append(f"{one} is under way on closed day {min(closed)}")
    for kind, number in enumerate(gangs):
        busy = Counter(day for one, its in enumerate(held) if gang[one] == kind for day in its)
        faults += [
            f"gangs {kind}: {n} at work on day {day}" for day, n in busy.items() if n > number
        ]
    for group in alone:
        for a, b in combinations(map(int, group), 2):
            if held[a] & held[b]:
                faults.append(f"{a} and {b} are under way together")
    for a, b in before:
        if max(held[int(a)]) >= min(held[int(b)]):
            faults.append(f"{b} starts before {a} is finished")
    return faults
