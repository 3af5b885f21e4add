"""Which settings a run reads: what nothing reads changes nothing, whatever the rules sheet says."""

import sys
from contextlib import contextmanager

from routekit.settings.declare import Settings

LISTERS = ("pydantic", "routekit.settings.declare", "routekit.settings.rules")
"""Modules that go through all settings to check or print them, which is no use of them."""


def list_leaves(group, prefix=""):
    """Dotted name of every setting of a group, with its class and own name."""
    for name, field in group.model_fields.items():
        inner = field.annotation
        if isinstance(inner, type) and issubclass(inner, Settings):
            yield from list_leaves(inner, f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}", (group, name)


class SettingReads:
    """Class and name of every setting that has been read while recording."""

    def __init__(self):
        self.seen = set()

    @contextmanager
    def record(self):
        """Note each setting that is read, but not where settings are only listed."""
        plain = Settings.__getattribute__

        def note(group, name):
            if name in type(group).model_fields:
                reader = sys._getframe(1).f_globals.get("__name__", "")
                if not reader.startswith(LISTERS):
                    self.seen.add((type(group), name))
            return plain(group, name)

        Settings.__getattribute__ = note
        try:
            yield
        finally:
            del Settings.__getattribute__

    def unread(self, group):
        """Dotted names of the settings of a group that have not been read."""
        return {dotted for dotted, key in list_leaves(group) if key not in self.seen}
