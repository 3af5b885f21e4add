"""Rates as data: unit rates, service lives, production and carbon, each low, mid and high.

The defaults stand in `tables/*.csv`, one rate a line with unit, source and meaning. Each table
becomes a group of settings, so that the study file replaces any rate by its name:
`[advice.rates] pipe_pe_kg = [2.0, 3.0, 4.0]`.
"""

from __future__ import annotations

from importlib.resources import files
from typing import Annotated, Any, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import AfterValidator, NonNegativeFloat, create_model

from routekit.settings.declare import Settings, check_order, setting

FloatArray: TypeAlias = NDArray[np.float64]

LEVELS = ("low", "mid", "high")
"""The three levels in which rates and quantities are given."""


Triple = Annotated[
    tuple[NonNegativeFloat, NonNegativeFloat, NonNegativeFloat], AfterValidator(check_order)
]
"""Low, mid and high of one rate, none below zero."""


class RateGroup(Settings):
    """Group of rates that is made from a table; its fields are the table's items."""

    def triple(self, item: str) -> FloatArray:
        """Give one rate.

        Parameters
        ----------
        item : str
            Name of the rate.

        Returns
        -------
        numpy.ndarray of float, shape (3,)
            Low, mid and high.

        Raises
        ------
        KeyError
            If the group has no such rate.
        """
        if item not in type(self).model_fields:
            raise KeyError(f"no rate {item!r} in {type(self).__name__}")
        return np.array(getattr(self, item), dtype=np.float64)

    def unit(self, item: str) -> str:
        """Give the unit of one rate, as its table names it.

        Parameters
        ----------
        item : str
            Name of the rate.

        Returns
        -------
        str
            Unit; money is `currency`.
        """
        extra: Any = type(self).model_fields[item].json_schema_extra
        return str(extra["unit"])

    def matrix(self, items: list[str]) -> FloatArray:
        """Give several rates as one array.

        Parameters
        ----------
        items : list of str
            Names of rates.

        Returns
        -------
        numpy.ndarray of float, shape (len(items), 3)
            Low, mid and high of each.
        """
        return np.array([self.triple(item) for item in items]).reshape(len(items), len(LEVELS))


def load_rates(name: str) -> pd.DataFrame:
    """Read one table of default rates.

    Parameters
    ----------
    name : str
        File name in `tables/`.

    Returns
    -------
    pandas.DataFrame
        Columns item, unit, low, mid, high, source, text.
    """
    with (files("routekit.advice") / "tables" / name).open(encoding="utf-8") as stream:
        return pd.read_csv(stream, keep_default_na=False)


def build_rate_group(class_name: str, table: str, text: str, *, module: str) -> type[RateGroup]:
    """Make a group of settings from a table of rates.

    Parameters
    ----------
    class_name : str
        Name of the group's class.
    table : str
        File name in `tables/`.
    text : str
        What the group holds, in one sentence.
    module : str
        Module in which the class stands under its name, so that settings can be pickled.

    Returns
    -------
    type of RateGroup
        Frozen settings with one low, mid, high field for each line of the table; a triple
        that does not ascend, falls below zero or has an unknown name is refused.
    """
    fields: dict[str, Any] = {}
    for row in load_rates(table).to_dict("records"):
        default = tuple(float(row[level]) for level in LEVELS)
        field = setting(default, unit=row["unit"], source=row["source"], text=f"{row['text']}.")
        fields[str(row["item"])] = (Triple, field)
    return create_model(class_name, __base__=RateGroup, __doc__=text, __module__=module, **fields)
