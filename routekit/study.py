"""The study file: one TOML beside its data, read as typed and frozen settings."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from pydantic import ValidationError

from routekit.advice.settings import AdviceSettings
from routekit.errors import StudyError
from routekit.layers.settings import InputSettings, explain_refusal
from routekit.methods.settings import MethodSettings
from routekit.outputs.arborist.report import ReportSettings
from routekit.outputs.geopackage import GeopackageSettings
from routekit.outputs.public.settings import PublicSettings
from routekit.outputs.schedule import ScheduleSettings
from routekit.outputs.settings import MapSettings
from routekit.pipes.settings import (
    FlowSettings,
    LinerSettings,
    PipeSettings,
    PullSettings,
    TrenchSettings,
)
from routekit.settings import Settings, setting
from routekit.site.settings import SiteSettings
from routekit.trees.regimes import choose_regime
from routekit.trees.settings import ZoneSettings


class OutputSettings(Settings):
    """What is written, and how."""

    geopackage: GeopackageSettings = setting(
        GeopackageSettings, unit="-", source="study", text="Result GeoPackage."
    )
    map: MapSettings = setting(MapSettings, unit="-", source="study", text="Working map.")
    public: PublicSettings = setting(
        PublicSettings, unit="-", source="study", text="Page for the public."
    )
    schedule: ScheduleSettings = setting(
        ScheduleSettings, unit="-", source="study", text="Schedule for tenderers."
    )
    report: ReportSettings = setting(
        ReportSettings, unit="-", source="study", text="Report for the arborist."
    )


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
    outputs: OutputSettings = setting(
        OutputSettings, unit="-", source="study", text="Outputs."
    )


@dataclass(frozen=True)
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
        """
        file = Path(path)
        try:
            if file.is_dir():
                file = file / "study.toml"
            table = tomllib.loads(file.read_text(encoding="utf-8"))
        except FileNotFoundError:
            message = f"{file}: there is no such study file; give the path of a TOML file"
            raise StudyError(message) from None
        except OSError as error:
            message = f"{file}: cannot be read ({error.strerror or error}); check its rights"
            raise StudyError(message) from None
        except RecursionError:
            message = f"{file}: this is no readable TOML (too many brackets in brackets); mend it"
            raise StudyError(message) from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            message = f"{file}: this is no readable TOML ({error}); mend the line named"
            raise StudyError(message) from None
        return cls(file, parse_settings(table, file=file.name))


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
    try:
        settings = StudySettings.model_validate(table)
    except ValidationError as error:
        raise StudyError(explain_refusal(error, StudySettings, file=file)) from None
    try:
        choose_regime(settings.zones)
    except StudyError as error:
        message = f"{file}: {error}"
        raise StudyError(message) from None
    return settings

