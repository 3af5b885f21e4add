"""Work items of each technique: how much of what has to be done, run by run.

An item carries the name under which `unit_rates.csv` prices it or `production.csv` times it;
an item that a technique does not need is 0, one that cannot be told is NaN. What is only
measured, for carbon and totals, is listed in `MEASURES`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from routekit.advice.earthworks import (
    FloatArray,
    Items,
    Site,
    lay_elsewhere,
    pit_items,
    trench_items,
)
from routekit.site.layout import SPOT_M
from routekit.techniques import RECORDS, Work
from routekit.vocabulary import MM_PER_M

MEASURES: Final = (
    "excavation_m3",
    "machine_m3",
    "compacted_m3",
    "imported_m3",
    "pe_kg",
    "liner_m3",
    "digs",
    "burst_m",
    "slip_m",
    "cured_m",
    "jetted_m",
)
"""Items that are measured only: neither priced nor timed by their own name."""

MM_PER_100MM: Final = 100.0


def _pipe(site: Site) -> Items:
    """List new PE pipe by mass."""
    mass = site.run["length_m"] * site.plan["pipe_kg_m"]
    return {"pipe_pe_kg": mass, "pe_kg": mass}


def _per_100mm(site: Site, size_mm: FloatArray) -> FloatArray:
    """Multiply length by size in units of 100 mm."""
    return np.asarray(site.run["length_m"] * size_mm / MM_PER_100MM)


def _survey(site: Site, times: float) -> Items:
    """List camera inspections along the whole run."""
    length = site.run["length_m"]
    return {"inspect_m": times * length, "inspect": times * length}


def _prepare(site: Site) -> Items:
    """List cleaning, root cutting and inspections round a liner or repair."""
    length = site.run["length_m"]
    return {
        **_survey(site, 2.0),
        "clean_m": length,
        "root_cut_m": length,
        "root_cut": length,
        "jetted_m": length,
    }


def _one(site: Site) -> FloatArray:
    """Give one for each run."""
    return np.ones_like(site.run["length_m"])


def _liner_volume(site: Site, length_m: FloatArray) -> FloatArray:
    """Calculate the volume of a liner against the bore, m3: by the perimeter of any shape."""
    girth, wall = site.run["girth_mm"], site.plan["liner_wall_mm"]
    return np.asarray(length_m * np.pi * (girth - wall) * wall / MM_PER_M**2)


def _dig_trench(site: Site) -> Items:
    """List trench, new pipe, connections joined in the trench; of new lines all their work."""
    joined = site.run["n_connections"]
    found = {
        **trench_items(site),
        **_pipe(site),
        **_survey(site, 1.0),
        "lay_pipe_m": site.run["length_m"],
        "manhole_works_each": _one(site),
        "connection_trench_each": joined,
        "connection_trench": joined,
        **dict.fromkeys(("new_manhole_each", "new_manhole"), np.zeros_like(joined)),
    }
    return lay_elsewhere(found, site)


def _burst(site: Site) -> Items:
    """List pits and small digs, a welded string, a saddle at each connection."""
    joined, length = site.run["n_connections"], site.run["length_m"]
    return {
        **pit_items(site),
        "digs": joined,
        **_pipe(site),
        **_survey(site, 2.0),
        "weld_m": length,
        "burst_100mm_m": _per_100mm(site, site.plan["new_outside_mm"]),
        "burst_pull": length,
        "burst_m": length,
        "burst_setup_each": site.plan["setup_share"],
        "burst_setup": site.plan["setup_share"],
        "burst_wait_day": site.plan["wait_days"],
        "burst_wait": site.plan["wait_days"],
        "manhole_works_each": _one(site),
        "connection_saddle_each": joined,
        "connection_dig": joined,
    }


def _slip(site: Site) -> Items:
    """List pits and small digs, a string of smaller pipe, the annulus filled, saddles."""
    joined, length = site.run["n_connections"], site.run["length_m"]
    outside, bore = site.plan["new_outside_mm"], site.run["diameter_mm"]
    annulus = np.where(outside <= bore, np.pi * (bore**2 - outside**2) / 4 / MM_PER_M**2, np.nan)
    return {
        **pit_items(site),
        "digs": joined,
        **_pipe(site),
        **_prepare(site),
        "weld_m": length,
        "slip_100mm_m": _per_100mm(site, outside),
        "slip_install": length,
        "slip_m": length,
        "slip_setup_each": site.plan["setup_share"],
        "slip_setup": site.plan["setup_share"],
        "grout_m3": length * annulus,
        "manhole_works_each": _one(site),
        "connection_saddle_each": joined,
        "connection_dig": joined,
    }


def _cure_liner(site: Site) -> Items:
    """List a liner through the manholes, connections reopened from inside."""
    length = site.run["length_m"]
    return {
        **_prepare(site),
        "cipp_100mm_m": _per_100mm(site, site.run["girth_mm"]),
        "cipp_install": length,
        "cipp_setup_each": site.plan["setup_share"],
        "cipp_cure": site.plan["setup_share"],
        "liner_m3": _liner_volume(site, length),
        "cured_m": length,
        "liner_ends_each": _one(site),
        "connection_robot_each": site.run["n_connections"],
    }


def _dig_and_cure(site: Site) -> Items:
    """List a liner, and before it a short piece of new pipe in a small dig at each spot.

    The piece is laid as in a trench; its own pipe is not weighed.
    """
    spots = site.plan["n_repairs"]
    return {
        **_cure_liner(site),
        **pit_items(site),
        "lay_pipe_m": spots * SPOT_M,
        "repair": spots,
    }


def _press_liner(site: Site) -> Items:
    """List folded pipe, pulled in from the plan's pits and reverted; connections from inside."""
    length = site.run["length_m"]
    return {
        **pit_items(site),
        **_pipe(site),
        **_prepare(site),
        "close_fit_100mm_m": _per_100mm(site, site.run["girth_mm"]),
        "close_fit_install": length,
        "close_fit_setup_each": site.plan["setup_share"],
        "close_fit_cure": site.plan["setup_share"],
        "cured_m": length,
        "liner_ends_each": _one(site),
        "connection_robot_each": site.run["n_connections"],
    }


def _mend(site: Site) -> Items:
    """List root cutting and short liners; connections stay as they are."""
    pieces = site.plan["n_repairs"]
    return {
        **_prepare(site),
        "repair_setup_each": _one(site),
        "repair_each": pieces,
        "repair": pieces,
        "liner_m3": _liner_volume(site, pieces * site.work.repair_length_m),
        "cured_m": pieces * site.work.repair_length_m,
    }


def _inspect(site: Site) -> Items:
    """List one inspection."""
    return {**_survey(site, 1.0), "jetted_m": site.run["length_m"]}


def _cut_roots(site: Site) -> Items:
    """List one visit: the run cleaned, its roots cut, and a camera afterwards."""
    length = site.run["length_m"]
    return {
        **_survey(site, 1.0),
        "clean_m": length,
        "root_cut_m": length,
        "root_cut": length,
        "root_cut_setup_each": _one(site),
        "jetted_m": length,
    }


_LISTS: Final[dict[Work, Callable[[Site], Items]]] = {
    "inspection": _inspect,
    "root cutting": _cut_roots,
    "short liners": _mend,
    "cured liner": _cure_liner,
    "cured liner and spots": _dig_and_cure,
    "close-fit liner": _press_liner,
    "slipped string": _slip,
    "burst string": _burst,
    "trench": _dig_trench,
}
RECIPES: Final = {one.code: _LISTS[one.work] for one in RECORDS}
"""Technique to the function that lists its work."""
