"""Where large tables stand between the steps that work on them."""

from __future__ import annotations

from typing import Protocol, TypeVar

import pandas as pd

Table = TypeVar("Table", bound=pd.DataFrame)


class Aside(Protocol):
    """Puts tables away, on disk say, and takes them down again."""

    def put_aside(self, table: Table, /) -> Table:
        """Give the same table, put away."""

    def take_down(self, table: Table, /) -> Table:
        """Give the same table as steps work on it."""


class InMemory:
    """Leaves tables where they are."""

    def put_aside(self, table: Table) -> Table:
        """Give the table itself."""
        return table

    def take_down(self, table: Table) -> Table:
        """Give the table itself."""
        return table
