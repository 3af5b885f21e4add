"""Zone regimes: the rules of one standard or practice, read from data files.

A regime holds every number that shapes a zone, each with the source it comes from. Branches
in the code are kinds of rule, never standards: a new standard is a new file in `regimes/`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from typing import Any, Literal, Self

import numpy as np
import pandas as pd
from pydantic import ValidationError, model_validator

from routekit.errors import StudyError
from routekit.settings.declare import SettingRow, Settings, setting
from routekit.trees.settings import ZoneSettings

STUDY = "study"
"""Source of the numbers that a study replaces in a regime."""

NEEDED: dict[str, tuple[str, ...]] = {
    "stem_multiple": ("factor",),
    "drip_line": ("margin_m", "columnar_margin_m"),
    "stem_table": ("stem_table",),
    "stem_classes": ("stem_table",),
    "species_age": ("factor_table",),
    "mattheck": ("structural_coefficient", "structural_exponent"),
    "girth": ("least_girth_factor",),
    "mean_above_limit": ("few_stems_limit",),
}
"""Fields that a kind of rule cannot do without."""


def _number(unit: str, text: str, **limits: Any) -> Any:
    """Declare a number of a regime that may be absent; its source stands in the data file."""
    return setting(None, unit=unit, source="regime", text=text, **limits)


class Regime(Settings):
    """Zone rules of one standard or practice; a number that is None does not apply."""

    name: str
    title: str
    short: str
    zone_word: str = ""
    """What the standard itself calls the zone, in its own language; blank where it has no word."""
    edition: str
    source: str
    sources: dict[str, str]
    kind: Literal["stem_multiple", "drip_line", "stem_table", "species_age"]
    several_stems: Literal["mean_above_limit", "sqrt_sum", "largest_plus_half"] = setting(
        ..., unit="-", source="regime", text="Rule for the equivalent diameter of several stems."
    )
    structural_rule: Literal["mattheck", "stem_table"] = setting(
        ..., unit="-", source="regime", text="Rule for the structural radius."
    )
    structural_is_indicator: bool = setting(
        ...,
        unit="-",
        source="regime",
        text="The regime names no structural zone; the radius is an indicator inside the zone.",
    )
    least_distance_rule: Literal["none", "girth", "stem_classes"] = setting(
        ...,
        unit="-",
        source="regime",
        text="Rule for the least distance from a stem at which digging inside the zone may go on; "
        "nearer needs an exception, whatever the severity.",
    )
    severity_share: Literal["severed", "footprint"] = setting(
        ..., unit="-", source="regime", text="Share that sets severity."
    )
    stem_table: str | None = None
    factor_table: str | None = None
    stem_height_m: float | None = _number("m", "Height at which stems are measured.", gt=0)
    factor: float | None = _number("-", "Zone radius per stem diameter.", gt=0)
    min_m: float | None = _number("m", "Least radius.", ge=0)
    max_m: float | None = _number("m", "Largest radius.", gt=0)
    max_area_m2: float | None = _number("m2", "Largest area of a circular zone.", gt=0)
    few_stems_limit: int | None = _number("-", "Most stems for the root of the sum.", ge=1)
    margin_m: float | None = _number("m", "Margin outside the drip line.", ge=0)
    columnar_margin_m: float | None = _number("m", "Margin for columnar crowns.", ge=0)
    palm_margin_m: float | None = _number("m", "Margin outside the crown of palms.", ge=0)
    structural_coefficient: float | None = _number(
        "-", "Structural radius (m) of a stem of 1 cm radius.", gt=0
    )
    structural_exponent: float | None = _number("-", "Power of the stem radius in cm.", gt=0)
    structural_min_m: float | None = _number("m", "Least structural radius.", ge=0)
    least_girth_factor: float | None = _number("-", "Least distance per girth.", gt=0)
    least_distance_min_m: float | None = _number("m", "Smallest least distance.", ge=0)
    major_from_share: float = setting(
        ..., unit="share", source="regime", text="Breach is major from this share on.", gt=0, le=1
    )
    tear_back_m: float = setting(
        ..., unit="m", source="regime", text="Root tearing behind the trench wall.", ge=0
    )
    veteran_factor: float | None = _number("-", "Radius per stem diameter of veterans.", gt=0)
    veteran_crown_margin_m: float | None = _number("m", "Margin outside veteran crowns.", ge=0)

    @model_validator(mode="after")
    def _check_complete(self) -> Self:
        """Refuse a regime whose rules lack a number that they need."""
        rules = (self.kind, self.structural_rule, self.least_distance_rule, self.several_stems)
        needed = dict.fromkeys(f for rule in rules for f in NEEDED.get(rule, ()))
        missing = [f for f in needed if getattr(self, f) is None]
        if missing:
            raise ValueError(f"{', '.join(missing)} must be given; set it under zones.override")
        if (self.veteran_factor is None) != (self.veteran_crown_margin_m is None):
            raise ValueError("veteran_factor and veteran_crown_margin_m go together")
        return self

    @property
    def max_radius_m(self) -> float:
        """Largest radius in m, from the radius cap and the area cap; infinite without a cap."""
        caps = [np.inf if self.max_m is None else self.max_m]
        if self.max_area_m2 is not None:
            caps.append(float(np.sqrt(self.max_area_m2 / np.pi)))
        return min(caps)


def regime_names() -> tuple[str, ...]:
    """List the regimes that are shipped.

    Returns
    -------
    tuple of str
        Names in alphabetical order.
    """
    folder = files("routekit.trees") / "regimes"
    return tuple(
        sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml"))
    )


def load_regime(name: str, *, override: Mapping[str, float | bool | str] | None = None) -> Regime:
    """Load a regime by name.

    Parameters
    ----------
    name : str
        One of `regime_names()`.
    override : mapping, optional
        Fields to replace; their source becomes the study. The text "none" takes a number away.

    Returns
    -------
    Regime
        The rules, checked.

    Raises
    ------
    StudyError
        If the name or a replaced field is not known (the nearest known one is offered), a value
        is impossible, or a number that the kind of rule needs is missing.
    """
    names = regime_names()
    if name not in names:
        raise StudyError(
            f"zone regime {name!r} is not known; zones.regime; {_offer_name(name, names)}"
        )
    fields = _read_regime(name)
    changed = {f: None if v == "none" else v for f, v in (override or {}).items()}
    for field in changed:
        _check_field(field)
    sources = {**fields["sources"], **dict.fromkeys(changed, STUDY)}
    short = fields["short"]
    if changed and name != "custom":
        short = f"{short}, changed: {', '.join(sorted(changed))}"
    try:
        return Regime(**{**fields, **changed, "short": short, "sources": sources})
    except ValidationError as error:
        raise StudyError(_explain_errors(name, error)) from error


def choose_regime(settings: ZoneSettings) -> Regime:
    """Load the regime that the settings name, with everything that they replace.

    Parameters
    ----------
    settings : ZoneSettings
        Settings of the zones.

    Returns
    -------
    Regime
        The rules in force.

    Raises
    ------
    StudyError
        See `load_regime`.
    """
    override = dict(settings.override)
    if settings.severity_share is not None:
        override["severity_share"] = settings.severity_share
    if settings.tear_back_m is not None:
        override["tear_back_m"] = settings.tear_back_m
    return load_regime(settings.regime, override=override)


def list_regime_rules(regime: Regime) -> Iterator[SettingRow]:
    """Yield every number and choice of a regime with its unit and source.

    Parameters
    ----------
    regime : Regime
        The rules in force.

    Yields
    ------
    SettingRow
        Name, value, unit, source key, meaning; numbers that do not apply are left out.
    """
    for name, field in Regime.model_fields.items():
        value = getattr(regime, name)
        if not isinstance(field.json_schema_extra, dict) or value is None:
            continue
        unit = str(field.json_schema_extra["unit"])
        source = regime.sources.get(name, regime.source)
        yield SettingRow(f"zones.{regime.name}.{name}", value, unit, source, str(field.description))


def regime_defaults(name: str) -> dict[str, SettingRow]:
    """List the numbers and choices of a regime as it is shipped.

    Parameters
    ----------
    name : str
        One of `regime_names()`.

    Returns
    -------
    dict of str to SettingRow
        By the names that `list_regime_rules` gives; a regime that needs numbers of the study
        lacks these.
    """
    fields = _read_regime(name)
    sources: dict[str, str] = fields["sources"]
    return {
        f"zones.{name}.{field}": SettingRow(field, fields[field], "", source, "")
        for field, source in sources.items()
    }


def regime_in_force(settings: ZoneSettings) -> list[SettingRow]:
    """List the rules of a study's regime; what the study replaces stands beside the regime's own.

    Parameters
    ----------
    settings : ZoneSettings

    Returns
    -------
    list of SettingRow
    """
    shipped, rows = regime_defaults(settings.regime), []
    for row in list_regime_rules(choose_regime(settings)):
        own = shipped.get(row.name)
        if row.source != STUDY:
            rows.append(row)
        elif own is None:
            rows.append(row._replace(default=None, is_set=True))
        else:
            rows.append(row._replace(source=own.source, default=own.value, is_set=True))
    return rows


def unread_tables(settings: ZoneSettings) -> set[str]:
    """Name the published tables that a study's regime does not read.

    Parameters
    ----------
    settings : ZoneSettings

    Returns
    -------
    set of str
        Each as `trees/file.csv`.
    """
    regime = choose_regime(settings)
    tables = {"nl_stem_classes.csv": regime.stem_table, "matheny_clark.csv": regime.factor_table}
    unread = {f"trees/{name}" for name, used in tables.items() if name != used}
    if regime.palm_margin_m is None:
        unread.add("trees/palm_genera.csv")
    return unread


@cache
def read_table(file_name: str) -> pd.DataFrame:
    """Read a table that a regime names.

    Parameters
    ----------
    file_name : str
        Name of a CSV file in `routekit/trees/tables`.

    Returns
    -------
    pandas.DataFrame
        The table as it stands in the file; do not write into it.

    Raises
    ------
    StudyError
        If there is no such table; the known ones are named.
    """
    folder = files("routekit.trees") / "tables"
    known = sorted(f.name for f in folder.iterdir() if f.name.endswith(".csv"))
    if file_name not in known:
        raise StudyError(f"table {file_name!r} is not known; zones; known: {', '.join(known)}")
    with (folder / file_name).open(encoding="utf-8") as stream:
        return pd.read_csv(stream)


@cache
def _read_regime(name: str) -> dict[str, Any]:
    """Read the data file of a regime into fields and the sources of its values."""
    text = (files("routekit.trees") / "regimes" / f"{name}.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    entries = {**data.pop("choices"), **data.pop("numbers")}
    values = {field: entry["value"] for field, entry in entries.items()}
    sources = {field: entry["source"] for field, entry in entries.items()}
    return {**data, **values, "name": name, "sources": sources}


def _check_field(field: str) -> None:
    """Refuse a replaced field that no regime has, or that names the regime itself."""
    fixed = {"name", "title", "short", "zone_word", "edition", "source", "sources"}
    known = tuple(f for f in Regime.model_fields if f not in fixed)
    if field not in known:
        raise StudyError(
            f"{field!r} is not a field of a zone regime; zones.override; "
            f"{_offer_name(field, known)}"
        )


def _offer_name(name: str, known: tuple[str, ...]) -> str:
    """Give the remedy for a wrong name: the nearest known one, or all of them."""
    near = get_close_matches(name, known, n=1)
    return f"did you mean {near[0]!r}?" if near else f"known: {', '.join(known)}"


def _explain_errors(name: str, error: ValidationError) -> str:
    """Say in one line what is wrong with the values of a regime."""
    parts = [
        f"{'.'.join(map(str, e['loc'])) or 'regime'}: {e['msg'].removeprefix('Value error, ')}"
        for e in error.errors()
    ]
    return f"zone regime {name!r} cannot be used; zones.override; {'; '.join(parts)}"
