"""The study file: one TOML beside its data, read as typed and frozen settings."""

from __future__ import annotations

import codecs
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import Any, Self

import numpy as np
import pandas as pd
from pydantic import ValidationError

from routekit.advice.quantities import PER_DAY
from routekit.advice.settings import AdviceSettings, ChoiceSettings
from routekit.errors import StudyError
from routekit.layers.columns import RASTER_LAYERS, TABLE_LAYERS, VECTOR_LAYERS
from routekit.layers.map_decisions import MAP_LAYER
from routekit.layers.settings import InputSettings, explain_refusal
from routekit.layers.site_return import SITE_RETURN
from routekit.methods.settings import MethodSettings
from routekit.pipes.settings import (
    FlowSettings,
    LinerSettings,
    PipeSettings,
    PullSettings,
    TrenchSettings,
)
from routekit.programme.settings import DiversionSettings, ProgrammeSettings, StringDaysSettings
from routekit.record.lessons import read_lessons
from routekit.record.settings import RecordSettings
from routekit.settings.declare import setting
from routekit.settings.outputs import OutputSettings
from routekit.settings.rules import list_rules
from routekit.site.settings import SiteSettings
from routekit.trees.regimes import choose_regime, regime_in_force, unread_tables
from routekit.trees.settings import ZoneSettings
from routekit.words.catalogue import render
from routekit.words.codes import check_language
from routekit.words.texts import say


class StudySettings(InputSettings):
    """Every setting of a study; what the file does not name keeps its default."""

    zones: ZoneSettings = setting(ZoneSettings, unit="-", source="study", text="Root zones.")
    trench: TrenchSettings = setting(
        TrenchSettings, unit="-", source="study", text="Open-cut trench."
    )
    flow: FlowSettings = setting(FlowSettings, unit="-", source="study", text="Flow.")
    pipe: PipeSettings = setting(PipeSettings, unit="-", source="study", text="New PE pipe.")
    pull: PullSettings = setting(PullSettings, unit="-", source="study", text="Pull force.")
    liner: LinerSettings = setting(LinerSettings, unit="-", source="study", text="Liners.")
    methods: MethodSettings = setting(
        MethodSettings, unit="-", source="study", text="Limits of the techniques."
    )
    site: SiteSettings = setting(
        SiteSettings, unit="-", source="study", text="Pits, strings and digs."
    )
    advice: AdviceSettings = setting(
        AdviceSettings, unit="-", source="study", text="Weights and rates."
    )
    record: RecordSettings = setting(
        RecordSettings, unit="-", source="study", text="What was built against the plan."
    )
    programme: ProgrammeSettings = setting(
        ProgrammeSettings, unit="-", source="study", text="Programme of works."
    )
    diversion: DiversionSettings = setting(
        DiversionSettings,
        unit="-",
        source="study",
        text="Flow while a sewer is out of use.",
    )
    string_days: StringDaysSettings = setting(
        StringDaysSettings,
        unit="-",
        source="study",
        text="Days for which the ground is open where pipes are pulled in.",
    )
    outputs: OutputSettings = setting(OutputSettings, unit="-", source="study", text="Outputs.")


@dataclass(frozen=True, repr=False)
class Study:
    """A study file and the settings in force.

    Attributes
    ----------
    path : Path
        The study file; layers are looked for from its folder.
    settings : StudySettings
    """

    path: Path
    settings: StudySettings

    def __post_init__(self) -> None:
        """Refuse what is no path, or no settings."""
        if not isinstance(self.settings, StudySettings):
            message = (
                f"Study takes the settings in force, not {_name_kind(self.settings)}; "
                "use Study.load(path), or parse_settings(table) for a table"
            )
            raise StudyError(message)
        object.__setattr__(self, "path", _take_path(self.path))
        object.__setattr__(self, "settings", _take_lessons(self.settings, self.path.parent))

    def __repr__(self) -> str:
        """Say in one line which study it is; `settings` holds the rest."""
        return f"<Study {self.settings.study.name!r}: {self.path}>"

    def _repr_html_(self) -> str:
        """Give notebooks the name, the study file and the layers with their files."""
        language = self.settings.outputs.language
        heads = "".join(
            f"<th>{escape(render(each, language))}</th>" for each in (say("Layer"), say("File"))
        )
        rows = "".join(
            f"<tr><td><code>{name}</code></td><td>{escape(source.path)}</td></tr>"
            for name, source in self.settings.layers
            if source is not None
        )
        return (
            f"<h3>{escape(self.settings.study.name)}</h3><p><code>{escape(str(self.path))}</code></p>"
            f"<table><tr>{heads}</tr>{rows}</table>"
        )

    @classmethod
    def load(cls, path: str | Path) -> Self:
        """Read a study file.

        Parameters
        ----------
        path : str or Path
            TOML file.

        Returns
        -------
        Study

        Raises
        ------
        StudyError
            If the file is missing or no TOML, or a setting is unknown or impossible; each refused
            setting is named with the nearest known name.

        Examples
        --------
        >>> Study.load("nowhere.toml")
        Traceback (most recent call last):
        routekit.errors.StudyError: nowhere.toml: there is no such study file; give the path of a
        TOML file
        """
        file = _take_path(path)
        try:
            if file.is_dir():
                file = file / "study.toml"
            table = tomllib.loads(_read_text(file))
        except FileNotFoundError:
            message = f"{file}: there is no such study file; give the path of a TOML file"
            raise StudyError(message) from None
        except OSError as error:
            message = f"{file}: cannot be read ({error.strerror or error}); check permissions"
            raise StudyError(message) from None
        except RecursionError:
            message = f"{file}: invalid TOML (brackets nested too deeply); correct it"
            raise StudyError(message) from None
        except UnicodeDecodeError as error:
            line = error.object[: error.start].count(b"\n") + 1
            message = f"{file}: line {line} is not UTF-8, in which TOML is written"
            raise StudyError(f"{message}; save the file again as UTF-8") from None
        except tomllib.TOMLDecodeError as error:
            message = f"{file}: invalid TOML ({error}); correct the line named"
            raise StudyError(message) from None
        return cls(file, parse_settings(table, file=file.name))

    def speak(self, language: str) -> Self:
        """Give the same study with its outputs in another language.

        Parameters
        ----------
        language : str
            One of `routekit.words.catalogue.list_languages`: of schedule, tree sheets and summary,
            and in which the map opens. The page for residents keeps its own.

        Returns
        -------
        Study

        Raises
        ------
        StudyError
            If there is no such language; those that there are are listed.

        Examples
        --------
        >>> settings = parse_settings({"layers": {"sewers": "a.gpkg", "trees": "b.gpkg"}})
        >>> Study(Path("study.toml"), settings).speak("nl").settings.outputs.language
        'nl'
        """
        try:
            check_language(language)
        except ValueError as error:
            raise StudyError(str(error)) from None
        outputs = self.settings.outputs
        opened = outputs.map.model_copy(update={"language": language})
        spoken = outputs.model_copy(update={"language": language, "map": opened})
        return replace(self, settings=self.settings.model_copy(update={"outputs": spoken}))


def _take_lessons(settings: StudySettings, base: Path) -> StudySettings:
    """Set what the file of lessons teaches, once; of what was measured too seldom nothing."""
    named = settings.record.lessons
    if named is None or "drag_factor" in settings.pull.model_fields_set:
        return settings
    lessons = read_lessons(base / named)
    drag, days = lessons.pull_factor, lessons.days_factor
    factor = (drag.low, drag.mid, drag.high) if drag.mid > 0 else (1.0, 1.0, 1.0)
    pull = settings.pull.model_copy(update={"drag_factor": tuple(float(one) for one in factor)})
    production = settings.advice.production
    if days.mid > 0:
        more = np.array([days.low, days.mid, days.high])
        taught = {
            item: tuple(
                (
                    production.triple(item) / more[::-1]
                    if production.unit(item).endswith(PER_DAY)
                    else production.triple(item) * more
                ).tolist()
            )
            for item in type(production).model_fields
        }
        production = production.model_copy(update=taught)
    advice = settings.advice.model_copy(update={"production": production})
    return settings.model_copy(update={"pull": pull, "advice": advice})


def list_inputs(study: Study) -> tuple[tuple[str, Path], ...]:
    """List the files that a study reads, its own file among them.

    Parameters
    ----------
    study : Study

    Returns
    -------
    tuple of (str, Path)
        Name of the layer and its file.

    Examples
    --------
    >>> settings = parse_settings({"layers": {"sewers": "a.gpkg", "trees": "b.gpkg"}})
    >>> [name for name, _ in list_inputs(Study(Path("study.toml"), settings))]
    ['the study file', 'layers.sewers', 'layers.trees']
    """
    found = [("the study file", study.path)]
    for layer in (*VECTOR_LAYERS, *TABLE_LAYERS, MAP_LAYER, SITE_RETURN, *RASTER_LAYERS):
        source = getattr(study.settings.layers, layer)
        if source is not None:
            found.append((f"layers.{layer}", study.path.parent / source.path))
    if study.settings.record.lessons is not None:
        found.append(("record.lessons", study.path.parent / study.settings.record.lessons))
    return tuple(found)


def require_study(value: object, caller: str) -> None:
    """Refuse what is no study, and say how to get one.

    Parameters
    ----------
    value : object
        What was passed.
    caller : str
        Name of the function it was passed to.

    Raises
    ------
    StudyError
        If it is no study.

    Examples
    --------
    >>> require_study("a.toml", "run_study")
    Traceback (most recent call last):
    routekit.errors.StudyError: run_study takes a Study, not a value of type str; pass
    Study.load("a.toml"), as in run_study(Study.load("a.toml"))
    """
    if isinstance(value, Study):
        return
    hint = f'"{value}"' if isinstance(value, str | os.PathLike) else '"study.toml"'
    message = (
        f"{caller} takes a Study, not {_name_kind(value)}; pass Study.load({hint}), "
        f"as in {caller}(Study.load({hint}))"
    )
    raise StudyError(message)


def _take_path(value: object) -> Path:
    """Take the path of a study file, or say what to pass."""
    if isinstance(value, str | os.PathLike):
        return Path(value)
    message = (
        f"a study file is named by a path, not by {_name_kind(value)}; "
        'pass a text or a Path, as in Study.load("study.toml")'
    )
    raise StudyError(message)


def _name_kind(value: object) -> str:
    """Say in words what kind of thing was passed."""
    return "None" if value is None else f"a value of type {type(value).__name__}"


def _read_text(file: Path) -> str:
    """Read a study file: UTF-8 with or without a byte order mark, or UTF-16 with one."""
    raw = file.read_bytes()
    is_wide = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    text = raw.decode("utf-16" if is_wide else "utf-8-sig")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def parse_settings(table: dict[str, Any], *, file: str = "study file") -> StudySettings:
    """Check a study table.

    Parameters
    ----------
    table : dict
        Sections as read from TOML.
    file : str, optional
        Name of the study file, for messages.

    Returns
    -------
    StudySettings

    Raises
    ------
    StudyError
        If a name is unknown or a value impossible, or the regime cannot be used.
    """
    if not isinstance(table, Mapping):
        message = (
            f"settings are read from a table of sections, not from {_name_kind(table)}; "
            "use Study.load(path) for a study file"
        )
        raise StudyError(message)
    try:
        settings = StudySettings.model_validate(table)
    except ValidationError as error:
        raise StudyError(explain_refusal(error, StudySettings, file=file)) from None
    if settings.record.lessons is not None and "drag_factor" in settings.pull.model_fields_set:
        message = f"{file}: pull.drag_factor is set, and record.lessons would set it; leave one out"
        raise StudyError(message)
    try:
        choose_regime(settings.zones)
    except StudyError as error:
        message = f"{file}: {error}"
        raise StudyError(message) from None
    return settings


def choice_settings(settings: StudySettings) -> ChoiceSettings:
    """Take the groups of the study file that the choice of a technique rests on.

    Parameters
    ----------
    settings : StudySettings

    Returns
    -------
    ChoiceSettings

    Examples
    --------
    >>> settings = parse_settings({"layers": {"sewers": "a.gpkg", "trees": "b.gpkg"}})
    >>> choice_settings(settings).methods is settings.methods
    True
    """
    groups = ("zones", "trench", "flow", "pipe", "pull", "liner", "methods", "site", "advice")
    named = {name: getattr(settings, name) for name in groups}
    return ChoiceSettings(**named, currency=settings.study.currency)


def list_rules_in_force(settings: StudySettings) -> pd.DataFrame:
    """List every setting, limit and published table in force for a study.

    Parameters
    ----------
    settings : StudySettings

    Returns
    -------
    pandas.DataFrame
        See `routekit.settings.rules.list_rules`.

    Examples
    --------
    >>> settings = parse_settings({"layers": {"sewers": "a.gpkg", "trees": "b.gpkg"}})
    >>> list_rules_in_force(settings)["kind"].unique().tolist()
    ['setting', 'zone regime', 'formula', 'table']
    """
    unread = unread_tables(settings.zones)
    if settings.flow.viscosity_m2_s is not None:
        unread.add("pipes/water_viscosity.csv")
    return list_rules(settings, regime_in_force(settings.zones), unread)
