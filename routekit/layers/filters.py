"""What is in a layer and is no live sewer or living tree: told by the words in its cells."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from routekit.layers.names import take_apart
from routekit.layers.parsing import read_text
from routekit.layers.value_words import understand_words
from routekit.vocabulary import write_count

if TYPE_CHECKING:
    import pandas as pd

MOST_LEFT_OUT: Final = 0.5
"""A filter that would leave out more of a layer than this is none (house choice)."""

SURE_OF: Final = {
    "sewers": frozenset(("status", "use", "type")),
    "trees": frozenset(("species", "genus", "common", "type", "tree")),
}
"""Words of a column's name from which what its cells say holds for the row itself."""


class Filter(NamedTuple):
    """A condition on the rows of a layer."""

    where: str
    """In OGR SQL."""
    is_sure: bool
    why: str


def find_filter(frame: pd.DataFrame, layer: str, table: pd.DataFrame) -> Filter | None:
    """Find rows that words in another column than that of the status leave out.

    Parameters
    ----------
    frame : pandas.DataFrame
        Columns as the source has them.
    layer : str
        Canonical layer; only sewers and trees have a status.
    table : pandas.DataFrame
        As `propose_mapping` gives it.

    Returns
    -------
    Filter or None
        The column with most such rows; None if there are none. A cell without value is kept.
    """
    if layer not in SURE_OF:
        return None
    status = table.loc[table["canonical"].eq("status") & table["is_sure"].to_numpy(bool), "source"]
    out = frame.index != frame.index
    for name in status:
        out = out | read_text(frame[name]).isin(_left_out(layer, frame[name])).to_numpy()
    best, n_best = None, 0
    for name in (n for n in frame.columns if n != "geometry" and n not in set(status)):
        words = _left_out(layer, frame[name])
        is_out = read_text(frame[name]).isin(words).to_numpy() & ~out
        if words and n_best < is_out.sum() <= MOST_LEFT_OUT * len(frame):
            best, n_best = _write_filter(layer, str(name), words, int(is_out.sum())), is_out.sum()
    return best


def _left_out(layer: str, cells: pd.Series) -> list[str]:
    """Texts that say that a row is no live one."""
    if cells.dtype.kind in "fiubM":
        return []
    known = understand_words(layer, "status", read_text(cells).dropna().unique())
    return sorted(text for text, meaning in known.items() if meaning == "exclude")


def _write_filter(layer: str, name: str, words: list[str], n_rows: int) -> Filter:
    """Write the condition; rows without a value stay."""
    listed = ", ".join("'" + word.replace("'", "''") + "'" for word in words)
    column = '"' + name.replace('"', '""') + '"'
    concepts = frozenset[str]().union(*(part.concepts for part in take_apart(name)))
    return Filter(
        where=f"{column} IS NULL OR {column} NOT IN ({listed})",
        is_sure=bool(concepts & SURE_OF[layer]),
        why=f"leaves out {write_count(n_rows, 'row')}: {', '.join(words)}",
    )
