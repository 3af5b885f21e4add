"""A result as notebooks show it: in a few lines, and as its map."""

from __future__ import annotations

from html import escape
from typing import Final

from routekit.errors import OutputError
from routekit.result import Result
from routekit.words.catalogue import render
from routekit.words.texts import say

FRAME_PX: Final = 720
"""Height of a map in a notebook: less than a screen."""


class MapFrame:
    """The working map in a frame of its own, which a notebook draws.

    Parameters
    ----------
    page : str
        HTML of the whole map.
    name : str
        Name of the study.
    height_px : int
        Height of the frame.
    """

    def __init__(self, page: str, name: str, height_px: int) -> None:
        self.page, self.name, self.height_px = page, name, height_px

    def __repr__(self) -> str:
        """Say what it is where no frame can be drawn."""
        return f"<MapFrame {self.name!r}: {len(self.page) / 1e6:.1f} MB>"

    def _repr_html_(self) -> str:
        """Give the frame; its page reaches nothing of the notebook around it."""
        return (
            f'<iframe srcdoc="{escape(self.page)}" title="{escape(self.name)}" '
            'sandbox="allow-scripts allow-downloads allow-modals allow-popups" '
            f'style="width: 100%; height: {self.height_px}px; border: 0"></iframe>'
        )


class ShownResult(Result):
    """A result that notebooks show; `run_study` gives one."""

    def _repr_html_(self) -> str:
        """Give what the terminal's summary says, and the tables with their numbers of rows."""
        from routekit.outputs.summary import summarise  # noqa: PLC0415 - slow to import

        told, language = summarise(self), self.settings.outputs.language
        lines = "".join(f"<li>{escape(line)}</li>" for line in told["lines"])
        rows = "".join(
            f"<tr><td><code>{name}</code></td><td>{len(table):,}</td></tr>"
            for name, table in self.tables.items()
        )
        heads = [render(each, language) for each in (say("Tables"), say("Table"), say("Rows"))]
        tables, table, n_rows = (escape(each) for each in heads)
        return (
            f"<h3>{escape(self.name)}</h3>"
            f"<p>{escape(told['sentence'])}</p><ul>{lines}</ul>"
            f"<details><summary>{tables}</summary>"
            f"<table><tr><th>{table}</th><th>{n_rows}</th></tr>{rows}</table></details>"
            f"<p><em>{escape(told['caution'])}</em></p>"
        )

    def map(self, *, height_px: int = FRAME_PX) -> MapFrame:
        """Show the working map in a notebook.

        Parameters
        ----------
        height_px : int, optional
            Height of the frame.

        Returns
        -------
        MapFrame
            Drawn where it is the last value of a cell; it asks no network.

        Raises
        ------
        OutputError
            If the map is divided into several pages, which one frame cannot hold.
        """
        from routekit.outputs.map.writer import build_pages  # noqa: PLC0415 - slow to import

        limits = self.settings.outputs.map
        pages = build_pages(self) if len(self.runs) <= limits.max_runs else {}
        if len(pages) != 1:
            msg = (
                f"the map of {len(self.runs):,} runs is divided into several pages, which a "
                'notebook does not hold; write it with write_outputs(result, "folder") and open '
                "map.html, or raise outputs.map.max_runs and outputs.map.max_page_mb"
            )
            raise OutputError(msg)
        return MapFrame(next(iter(pages.values())), self.name, height_px)
