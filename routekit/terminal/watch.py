"""Follow files: wait until one of them is another one."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

from routekit.outputs.file_marks import mark_files

_EVERY_S: Final = 0.5
"""Files are looked at so often; house."""


def wait_for_change(
    paths: Iterable[Path],
    since: Mapping[Path, tuple[int, int]],
    *,
    pause: Callable[[float], None] = time.sleep,
) -> list[Path]:
    """Wait until files are no longer as they were, and then until nobody writes to them.

    Parameters
    ----------
    paths : iterable of Path
    since : mapping of Path to (int, int)
        From `mark_files`.
    pause : callable, optional
        Waits for so many s.

    Returns
    -------
    list of Path
        What has changed, come or gone, by name.
    """
    followed, last = list(paths), dict(since)
    while True:
        now = mark_files(followed)
        changed = [file for file in {**since, **now} if since.get(file) != now.get(file)]
        if changed and now == last:
            return sorted(changed)
        last = now
        pause(_EVERY_S)
