"""Typed settings: a value, its unit, its source and its meaning in one place.

Each folder keeps the settings of its own decisions in its `settings.py`;
`routekit.study` gathers them into the one object that is passed down the pipeline.
A setting is never global and never changes once read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from pydantic import BaseModel, ConfigDict, Field


class Settings(BaseModel):
    """Frozen group of settings; unknown names are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def setting(
    default: Any, *, unit: str, source: str, text: str, **limits: Any
) -> Any:
    """Declare one setting with its unit, source and meaning.

    Parameters
    ----------
    default : Any
        The value in force where the study file is silent.
    unit : str
        Unit of the value; `"-"` for pure numbers and names.
    source : str
        A key of `routekit/sources.csv`.
    text : str
        What the setting means, in one sentence.
    **limits : Any
        pydantic limits such as `gt`, `ge`, `lt`, `le`.

    Returns
    -------
    Any
        A pydantic field.
    """
    extra: dict[str, Any] = {"unit": unit, "source": source}
    if callable(default):
        return Field(
            default_factory=default,
            description=text,
            json_schema_extra=extra,
            **limits,
        )
    return Field(default, description=text, json_schema_extra=extra, **limits)


class SettingRow(NamedTuple):
    """One line of the rules sheet."""

    name: str
    value: Any
    unit: str
    source: str
    """Key of the source of the default."""
    text: str
    default: Any = None
    """The value where the study file is silent; None where there is none."""
    is_set: bool = False
    """Whether the study file says it."""


def walk_settings(group: BaseModel, prefix: str = "") -> Iterator[SettingRow]:
    """Yield every setting of a group, nested groups included, in declared order.

    Parameters
    ----------
    group : BaseModel
        The settings to walk.
    prefix : str, optional
        Dotted path of the group itself.

    Yields
    ------
    SettingRow
        Name as written in the study file, value in force, unit, source key of the default,
        meaning, default, and whether the study file sets it.
    """
    for name, field in type(group).model_fields.items():
        value = getattr(group, name)
        path = f"{prefix}{name}"
        if isinstance(value, BaseModel):
            yield from walk_settings(value, f"{path}.")
            continue
        extra = field.json_schema_extra
        notes = extra if isinstance(extra, dict) else {}
        yield SettingRow(
            path,
            value,
            str(notes.get("unit", "-")),
            str(notes.get("source", "")),
            field.description or "",
            None if field.is_required() else field.get_default(call_default_factory=True),
            name in group.model_fields_set,
        )
