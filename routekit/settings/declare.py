"""Typed settings: a value, its unit, its source and its meaning in one place.

Each folder keeps the settings of its own decisions in its `settings.py`;
`routekit.study` gathers them into the one object that is passed down the pipeline.
A setting is never global and never changes once read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, NamedTuple, NoReturn, Self, get_args, get_origin

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
)


class FrozenTable(dict[Any, Any]):
    """A table of a setting: read like any dict, and never changed."""

    def _refuse(self, *_: Any, **__: Any) -> NoReturn:
        """Refuse a change."""
        msg = "settings do not change once read; load a study file that says otherwise"
        raise TypeError(msg)

    __setitem__ = __delitem__ = __ior__ = _refuse
    clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[type[FrozenTable], tuple[dict[Any, Any]]]:
        """Copy and pickle as a table made at once: items cannot be put in one by one."""
        return FrozenTable, (dict(self),)


def freeze(value: Any) -> Any:
    """Make the tables and lists in a value unchangeable, those inside them as well.

    Parameters
    ----------
    value : Any
        Value of a setting.

    Returns
    -------
    Any
        `FrozenTable` for a table, a tuple for a list; anything else as it is.
    """
    if isinstance(value, Mapping):
        return FrozenTable({key: freeze(each) for key, each in value.items()})
    if isinstance(value, list | tuple) and not hasattr(value, "_fields"):
        return tuple(freeze(each) for each in value)
    return value


class Settings(BaseModel):
    """Frozen group of settings, down to tables and lists; unknown names are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    moved: ClassVar[Mapping[str, str]] = {}
    """Settings that once stood in this group, and where each stands now."""

    def model_post_init(self, _: Any, /) -> None:
        """Freeze what the fields hold."""
        for name in type(self).model_fields:
            self.__dict__[name] = freeze(self.__dict__[name])

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """Copy with some values replaced; the copy is frozen too."""
        frozen = {name: freeze(value) for name, value in (update or {}).items()}
        return super().model_copy(update=frozen, deep=deep)

    @field_validator("*", mode="before")
    @classmethod
    def _take_as_written(cls: type[Self], value: Any, info: ValidationInfo) -> Any:
        """Refuse what would have to be read as something else: `true` or "9.81" for a number."""
        kinds = _leaf_types(cls.model_fields[str(info.field_name)].annotation)
        for each in _leaves(value):
            if kinds <= {int, float, type(None)} and isinstance(each, bool | str):
                raise ValueError(f"must be a number, not {write_toml(each)}")
            if kinds == {bool} and not isinstance(each, bool):
                raise ValueError(f"must be true or false, not {write_toml(each)}")
        return value


def _leaf_types(annotation: Any) -> set[Any]:
    """Collect the plain types that an annotation is made of; of a mapping those of its values."""
    parts = get_args(annotation)
    if not parts:
        return {annotation}
    origin = get_origin(annotation)
    if origin is Annotated:
        parts = parts[:1]
    elif isinstance(origin, type) and issubclass(origin, Mapping):
        parts = parts[1:]
    return set().union(*(_leaf_types(part) for part in parts if part is not ...))


def _leaves(value: Any) -> Iterator[Any]:
    """Go through a value, the items of a list and the values of a table."""
    if isinstance(value, list | tuple | Mapping):
        for each in value.values() if isinstance(value, Mapping) else value:
            yield from _leaves(each)
    else:
        yield value


def write_toml(value: Any) -> str:
    """Write a single value as a study file would have it.

    Parameters
    ----------
    value : Any
        Number, text, or yes and no.

    Returns
    -------
    str
    """
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


def check_order(values: tuple[float, float, float]) -> tuple[float, float, float]:
    """Refuse a low, mid, high triple that does not ascend.

    Parameters
    ----------
    values : tuple of float
        Low, mid and high.

    Returns
    -------
    tuple of float
        The same.

    Raises
    ------
    ValueError
        If one is above the next.
    """
    if not values[0] <= values[1] <= values[2]:
        raise ValueError(f"low, mid, high must ascend, got {values}")
    return values


def check_span(values: tuple[int, int]) -> tuple[int, int]:
    """Refuse a span of nothing, or one that runs backwards.

    Parameters
    ----------
    values : tuple of int
        Fewest and most.

    Returns
    -------
    tuple of int
        The same.

    Raises
    ------
    ValueError
        If the fewest are below 1 or above the most.

    Examples
    --------
    >>> check_span((2, 4))
    (2, 4)
    """
    if not 0 < values[0] <= values[1]:
        raise ValueError(f"{list(values)}: write 1 or more, the fewest first")
    return values


Span = Annotated[tuple[int, int], AfterValidator(check_span)]
"""Fewest and most of what is counted."""


def setting(default: Any, *, unit: str, source: str, text: str, **limits: Any) -> Any:
    """Declare one setting with its unit, source and meaning.

    Parameters
    ----------
    default : Any
        The value in force where the study file is silent.
    unit : str
        Unit of the value; `"-"` for pure numbers and names.
    source : str
        A key of `routekit/settings/sources.csv`.
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
