"""What is carried past each string or run that is out of use: flow, pump, plug, houses cut off.

Nothing here is a design of a diversion: inflow along the run, rain and the district beyond the data
are the contractor's to look at. What rests on an unknown is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.rates import RateGroup
from routekit.advice.site_items import DIVERTS
from routekit.arrays import ID_MARK, Floats, Ints, list_ids, split_ids, take_numbers
from routekit.layers.houses import count_houses
from routekit.layers.levels import find_drops
from routekit.methods.falls import find_unclear
from routekit.pipes.hose import Duty, find_duty
from routekit.pipes.settings import FlowSettings
from routekit.programme.cut_off import HOURS_OF_DAY, count_hours, pulled_days
from routekit.programme.packages import STORM, list_members
from routekit.programme.settings import DiversionSettings
from routekit.programme.storage import Network, gather_downstream, hold_back
from routekit.site.chains import label_networks
from routekit.techniques import RECORDS
from routekit.vocabulary import MM_PER_M
from routekit.words.texts import both, fill, join, message, word

PLUG, PUMP, NOT_KNOWN = (
    message("a watched plug may do in dry weather"),
    message("pump"),
    message("not known"),
)
"""How the flow is dealt with."""

AT_SURFACE, IN_MANHOLE = message("at the surface"), message("in the manhole")
"""Where the pump may stand: the other way round it could not suck."""

SECONDS_OF_DAY: Final = 86_400.0
PER_DAY: Final = "/day"
LEVELS: Final = ("low", "mid", "high")
_WORK: Final = {one.code: one.work for one in RECORDS}
_CLOSED_BY: Final = {
    "short liners": ("repair",),
    "cured liner": ("cipp_cure", "cipp_install"),
    "cured liner and spots": ("cipp_cure", "cipp_install"),
    "close-fit liner": ("close_fit_cure", "close_fit_install"),
    "trench": ("connection_trench",),
}
"""Items of production during which drains of a run are shut, by the work of its technique; where
none are named, all of its days."""
_LOST: Final = {
    "dry_l_s": message("dry-weather flow"),
    "design_l_s": message("design flow"),
    "static_m": message("levels"),
    "storage_m3": message("storage upstream"),
    "houses": message("houses"),
    "house_high_h": message("hours without drain"),
}


@dataclass(frozen=True, kw_only=True)
class Flows:
    """Tables of a result that the diversion rests on, as the schema declares them."""

    runs: gpd.GeoDataFrame
    manholes: gpd.GeoDataFrame
    connections: gpd.GeoDataFrame
    advice: pd.DataFrame
    options: pd.DataFrame
    strings: gpd.GeoDataFrame
    programme: pd.DataFrame


def find_diversions(
    tables: Flows,
    settings: DiversionSettings,
    flow: FlowSettings,
    production: RateGroup,
    *,
    connections_a_day: tuple[float, float],
) -> pd.DataFrame:
    """Find what is carried past each string and each other run that is out of use.

    Parameters
    ----------
    tables : Flows
    settings : DiversionSettings
    flow : FlowSettings
        Viscosity.
    production : RateGroup
        How long curing, repairs and joining take.
    connections_a_day : tuple of float
        Connections joined to a new pipe in a working day, fewest and most.

    Returns
    -------
    pandas.DataFrame
        The table `flow_diversion` of the result: strings in their order, then runs in theirs.
    """
    works, members = _list_works(tables)
    runs = tables.runs.set_index("run_id", drop=False)
    ends = _find_ends(works, members, runs)
    flows = _find_flows(tables, settings, flow).reindex(members["run_id"])
    group = members["work"].to_numpy(np.int64)
    carried = pd.DataFrame(
        {name: _most(flows[name].to_numpy(float), group, len(works)) for name in flows}
    )
    hours = _find_hours(tables, works, members, settings, production, connections_a_day)
    network, names = _build_network(tables)
    plug = names.reindex(ends["from_manhole"]).fillna(-1).to_numpy(np.int64)
    level, storage = hold_back(network, plug, freeboard_m=settings.freeboard_m)
    table = ends.assign(
        **carried, **hours, level_m=level, storage_m3=storage * settings.storage_share
    )
    return _write(works, table, tables, settings, flow)


def _list_works(tables: Flows) -> tuple[pd.DataFrame, pd.DataFrame]:
    """List what is still to be out of use together, and the runs of each in their order downstream.

    What came back as finished, all its runs, is in use again.
    """
    advice = tables.advice
    technique = advice["technique"].astype(object).fillna("")
    string = advice["string_id"].astype(object).fillna("")
    alone = advice.loc[technique.isin(DIVERTS) & (string == ""), "run_id"]
    works = pd.DataFrame(
        {
            "work_id": [*tables.strings["string_id"], *alone],
            "run_ids": [*tables.strings["run_ids"], *alone],
            "is_string": [True] * len(tables.strings) + [False] * len(alone),
        }
    ).astype({"work_id": object, "run_ids": object, "is_string": bool})
    done = set(list_ids(tables.programme["done_run_ids"]))
    is_left = np.array([not done.issuperset(ids) for ids in split_ids(works["run_ids"])], bool)
    works = works[is_left].reset_index(drop=True)
    members = list_members(works).rename(columns={"package": "work"})
    return works, members


def _most(values: Floats, group: Ints, size: int) -> Floats:
    """Find the greatest value of each group; NaN where one of its values is."""
    found = np.full(size, -np.inf)
    np.maximum.at(found, group, np.where(np.isnan(values), np.inf, values))
    found[group[np.isnan(values)]] = np.nan
    return np.where(np.isneginf(found), np.nan, found)


def _find_ends(works: pd.DataFrame, members: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Find where works begin and end, how long they are, and how high water is lifted past them."""
    rows = runs.reindex(members["run_id"])
    group = members["work"].to_numpy(np.int64)
    parts = pd.DataFrame(
        {
            "from_manhole": rows["from_manhole"].to_numpy(object),
            "to_manhole": rows["to_manhole"].to_numpy(object),
            "length_m": take_numbers(rows, "length_m"),
            "ground_up_m": take_numbers(rows, "ground_up_m"),
            "depth_up_m": take_numbers(rows, "depth_up_m"),
            "depth_down_m": take_numbers(rows, "depth_down_m"),
        }
    )
    first = ~pd.Series(group).duplicated().to_numpy()
    last = ~pd.Series(group).duplicated(keep="last").to_numpy()
    top, foot = parts[first].reset_index(drop=True), parts[last].reset_index(drop=True)
    ends = (parts["ground_up_m"].to_numpy(float), take_numbers(rows, "ground_down_m"))
    highest = _most(np.maximum(*ends), group, len(works))
    return pd.DataFrame(
        {
            "from_manhole": top["from_manhole"],
            "to_manhole": foot["to_manhole"],
            "length_m": _add(group, parts["length_m"].to_numpy(float), len(works)),
            "suction_m": top["depth_up_m"],
            "static_m": highest - (top["ground_up_m"] - top["depth_up_m"]),
            "depth_down_m": foot["depth_down_m"],
        }
    )


def _find_flows(tables: Flows, settings: DiversionSettings, flow: FlowSettings) -> pd.DataFrame:
    """Find flow and houses by run: in dry weather that of all houses above, by design its own.

    What lies above is not known in a network in which a run may flow the other way round.
    """
    runs = tables.runs
    houses = count_houses(runs, tables.connections)
    _, top, foot = _place_ends(runs)
    drop, _ = find_drops(runs, tables.manholes)
    is_unclear = find_unclear(runs, drop, level_error_m=flow.level_error_m)
    network = label_networks(runs, np.ones(len(runs), dtype=bool))
    is_lost = np.isin(network, network[is_unclear])
    drained = np.where((runs["use"] == STORM).to_numpy(bool), 0.0, houses)
    above = np.where(is_lost, np.nan, gather_downstream(top, foot, drained))
    litres = settings.persons_a_house * settings.litres_a_person * settings.peak_factor
    return pd.DataFrame(
        {
            "dry_l_s": above * litres / SECONDS_OF_DAY,
            "design_l_s": take_numbers(runs, "required_l_s"),
        },
        index=pd.Index(runs["run_id"]),
    )


def _build_network(tables: Flows) -> tuple[Network, pd.Series]:
    """Write runs and manholes as a network, with the place of each manhole by its name."""
    runs, manholes = tables.runs, tables.manholes.set_index("manhole_id")
    ends = pd.concat([runs["from_manhole"], runs["to_manhole"]])
    place, top, foot = _place_ends(runs)
    ground = {end: take_numbers(runs, f"ground_{end}_m") for end in ("up", "down")}
    covers = pd.Series(np.concatenate([*ground.values()]), index=ends.to_numpy())
    known = covers[covers.index.notna()].groupby(level=0)
    cover = known.min().mask(known.count() < known.size()).reindex(place.index).to_numpy(float)
    sizes = [
        take_numbers(manholes, f"chamber_{side}_mm") / MM_PER_M for side in ("length", "width")
    ]
    area = pd.Series(np.pi / 4 * sizes[0] * sizes[1], index=manholes.index)
    network = Network(
        top=top,
        foot=foot,
        top_m=ground["up"] - take_numbers(runs, "depth_up_m"),
        foot_m=ground["down"] - take_numbers(runs, "depth_down_m"),
        bore_mm=take_numbers(runs, "diameter_mm"),
        length_m=take_numbers(runs, "length_m"),
        cover_m=cover,
        area_m2=np.asarray(area[~area.index.duplicated()].reindex(place.index), dtype=np.float64),
    )
    return network, place


def _place_ends(runs: pd.DataFrame) -> tuple[pd.Series, Ints, Ints]:
    """Place manholes by their names, and the two ends of each run; -1 where none is named."""
    names = pd.Index(pd.concat([runs["from_manhole"], runs["to_manhole"]]).dropna().unique())
    place = pd.Series(np.arange(len(names)), index=names)
    top, foot = (
        runs[end].map(place).fillna(-1).to_numpy(np.int64) for end in ("from_manhole", "to_manhole")
    )
    return place, top, foot


def _find_hours(
    tables: Flows,
    works: pd.DataFrame,
    members: pd.DataFrame,
    settings: DiversionSettings,
    production: RateGroup,
    a_day: tuple[float, float],
) -> dict[str, Floats]:
    """Find how many houses are cut off, and for how many hours each, from the first to the last."""
    size, group = len(works), members["work"].to_numpy(np.int64)
    count = tables.runs.set_index("run_id")["n_connections"]
    each = members["run_id"].map(count).to_numpy(float)
    by_run = pd.Series(count_houses(tables.runs, tables.connections), index=count.index)
    house = np.asarray(members["run_id"].map(by_run), dtype=np.float64)
    houses = _add(group, house, size)
    technique = tables.advice.set_index("run_id")["technique"]
    keys = pd.MultiIndex.from_arrays([members["run_id"], members["run_id"].map(technique)])
    chosen = tables.options.set_index(["run_id", "technique"]).reindex(keys)
    length = members["run_id"].map(tables.runs.set_index("run_id")["length_m"]).to_numpy(float)
    work = members["run_id"].map(technique).map(_WORK).to_numpy(object)
    tie = works["work_id"].map(tables.strings.set_index("string_id")["tie_days"]).to_numpy(float)
    pulled = pulled_days(tie, _add(group, each, size), a_day)
    found: dict[str, Floats] = {"houses": houses}
    for level, days in zip(("low", "high"), pulled, strict=True):
        crew = take_numbers(chosen, f"days_{level}")
        shut = _add(group, _shut_days(work, length, crew, production, LEVELS.index(level)), size)
        alone = count_hours(shut, settings.hours_a_day)
        out = np.where(works["is_string"], days * HOURS_OF_DAY, alone)
        found[f"house_{level}_h"] = np.where(houses == 0, 0.0, out)
        found[f"out_{level}_h"] = np.where(
            works["is_string"], out, count_hours(_add(group, crew, size), settings.hours_a_day)
        )
    return found


def _add(group: Ints, values: Floats, size: int) -> Floats:
    """Add up the values of each group."""
    return np.bincount(group, values, size).astype(np.float64)


def _shut_days(
    work: NDArray[np.object_], length_m: Floats, crew: Floats, production: RateGroup, level: int
) -> Floats:
    """Find the days for which drains of runs are shut: what `_CLOSED_BY` names, else all days."""
    days = crew.copy()
    for name, items in _CLOSED_BY.items():
        here = work == name
        days[here] = 0.0
        for item in items:
            is_rate = production.unit(item).endswith(PER_DAY)
            rate = (
                production.triple(item)[::-1][level] if is_rate else production.triple(item)[level]
            )
            days[here] += length_m[here] / rate if is_rate else rate
    return days


def _write(
    works: pd.DataFrame,
    table: pd.DataFrame,
    tables: Flows,
    settings: DiversionSettings,
    flow: FlowSettings,
) -> pd.DataFrame:
    """Write the table: pumps for both flows, how long a plug may stand, and what is not known."""
    length = (
        table["length_m"] * (1 + settings.slack_share) + table["suction_m"] + table["depth_down_m"]
    )
    duty = _find_pump(table["design_l_s"], table["static_m"], length, settings, flow)
    dry = _find_pump(table["dry_l_s"], table["static_m"], length, settings, flow)
    named = works["run_ids"].str.split(ID_MARK)
    listed = np.array([bool(set(runs) & set(settings.critical_runs)) for runs in named], dtype=bool)
    design = table["design_l_s"].to_numpy(float)
    critical = listed | (design > settings.critical_l_s)
    standby = np.where(critical, settings.critical_standby_share, settings.standby_share)
    standby = np.where(np.isnan(design) & ~listed, np.nan, standby)
    dry_l_s, storage = table["dry_l_s"].to_numpy(float), table["storage_m3"].to_numpy(float)
    hours = _divide(storage, dry_l_s * 3.6)
    suction = table["suction_m"].to_numpy(float)
    place = np.where(suction > settings.suction_m, IN_MANHOLE, AT_SURFACE).astype(object)
    packages = list_members(tables.programme).set_index("run_id")["package"]
    first = named.str[0].map(packages)
    ids = tables.programme["package_id"].reindex(first).to_numpy(object)
    whole = pd.DataFrame(
        {
            "work_id": works["work_id"],
            "package_id": np.where(first.isna(), "", ids),
            "run_ids": works["run_ids"],
            "from_manhole": table["from_manhole"],
            "to_manhole": table["to_manhole"],
            "length_m": table["length_m"],
            "way": _choose_way(hours, table["out_high_h"].to_numpy(float), critical),
            "dry_l_s": dry_l_s,
            "design_l_s": design,
            "static_m": table["static_m"],
            "suction_m": suction,
            "pump_stands": np.where(np.isnan(suction), NOT_KNOWN, place).astype(object),
            "hose_m": length,
            "hose_mm": duty.hose_mm,
            "hoses": duty.hoses,
            "hose_velocity_m_s": duty.velocity_m_s,
            "friction_m": duty.friction_m + duty.minor_m,
            "head_m": duty.head_m,
            "dry_hose_mm": dry.hose_mm,
            "dry_head_m": dry.head_m,
            "is_critical": pd.array(critical, dtype="boolean"),
            "standby_share": standby,
            "level_m": table["level_m"],
            "storage_m3": storage,
            "plug_h": hours,
            "out_low_h": table["out_low_h"],
            "out_high_h": table["out_high_h"],
            "houses": table["houses"],
            "house_low_h": table["house_low_h"],
            "house_high_h": table["house_high_h"],
        }
    )
    whole["is_critical"] = whole["is_critical"].mask(np.isnan(design) & ~listed)
    lost = whole[list(_LOST)].isna().to_numpy()
    said = [
        join(
            [word(text) for text, is_lost in zip(_LOST.values(), row, strict=True) if is_lost], ", "
        )
        for row in lost
    ]
    return whole.assign(**both("not_known", fill(said)))


def _find_pump(
    flow_l_s: pd.Series,
    static_m: pd.Series,
    length_m: pd.Series,
    settings: DiversionSettings,
    flow: FlowSettings,
) -> Duty:
    """Find the duty of the pumps for a flow."""
    return find_duty(
        flow_l_s.to_numpy(float),
        static_m.to_numpy(float),
        length_m.to_numpy(float),
        flow,
        bores_mm=settings.hoses_mm,
        most_velocity_m_s=settings.hose_velocity_m_s,
        roughness_mm=settings.hose_roughness_mm,
        minor_losses=settings.minor_losses,
    )


def _divide(volume_m3: Floats, m3_h: Floats) -> Floats:
    """Find how long a volume lasts, h; without end where nothing flows."""
    lasts = np.full(len(volume_m3), np.inf)
    np.divide(volume_m3, m3_h, out=lasts, where=m3_h != 0)
    return np.where(np.isnan(volume_m3) | np.isnan(m3_h), np.nan, lasts)


def _choose_way(hours: Floats, out_h: Floats, critical: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Choose between pump and plug: a plug only where it surely may stand long enough."""
    may_plug = (hours >= out_h) & ~critical
    is_lost = (np.isnan(hours) | np.isnan(out_h)) & ~critical
    return np.select([may_plug, is_lost], [PLUG, NOT_KNOWN], PUMP).astype(object)
