"""Observations of an inspection: what each code means, and what it leaves open.

Main codes are those of EN 13508-2; codes, features and grade limits are in
`tables/observation_codes.csv`. This is the one place where codes are read: what comes later looks
at the feature. What is not understood, and a fault whose kind or size is not given, is open: it
never counts as a sound pipe.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from routekit.errors import LayerError
from routekit.layers.findings import Findings
from routekit.vocabulary import write_count
from routekit.words.texts import say, word

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from routekit.arrays import Floats, Texts

CODE_PATTERN: Final = r"^([A-Z]{3})(?:[\s.,:/_-]*([A-Z]))?(?:[\s.,:/_-]*[A-Z])?$"
"""Main code, and the characterisations where they are written behind it."""

ADDED_COLUMNS: Final = ("feature", "amount", "is_understood", "is_kind_known")
"""Columns that an inspection's table gets from the codes."""

NOUGHT_CODES: Final = ("BDD",)
"""Codes noted with size 0 too: the water level, where the pipe is dry (common practice, no source).
Any other defect that was seen has a size, and 0 stands for one that nobody took."""

LISTED_CODES: Final = 20
"""Most codes that are named in a refusal."""


@cache
def read_codes() -> pd.DataFrame:
    """Read the table of observation codes shipped with the package.

    Returns
    -------
    pandas.DataFrame
        Columns code, characterisation (blank: any other), letters (those that mean «any other»),
        name, kind (structural, operational, inventory), feature (blank: says nothing of the
        pipe), how (max, count), factor (quantification to feature), grades (`limit:grade` pairs),
        source; and is_split (codes whose characterisation tells kinds apart).
    """
    path = files("routekit.methods") / "tables" / "observation_codes.csv"
    with path.open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    table["factor"] = table["factor"].astype(float)
    meaning = table["feature"] + " " + table["grades"]
    return table.assign(is_split=meaning.groupby(table["code"]).transform("nunique") > 1)


def match_codes(inspections: pd.DataFrame) -> pd.DataFrame:
    """Give each observation its meaning.

    Parameters
    ----------
    inspections : DataFrame
        Columns run_id, chainage_m, code, characterisation, quantification. The first
        characterisation may also stand behind the code.

    Returns
    -------
    pandas.DataFrame
        The observations in their order with name, kind, feature, how and grades of the code table,
        `main_code`, `code_row` (of the code table, -1 for none), `amount` (the feature's value; 1
        for what is counted, NaN where no size was given), `is_understood` (the code is known) and
        `is_kind_known` (False for a fault whose characterisation is needed and not given, or is
        none of its code: it may be any kind of its code).
    """
    table = read_codes()
    code, letter = _read_letters(inspections)
    index = pd.MultiIndex.from_frame(table[["code", "characterisation"]])
    exact = index.get_indexer(pd.MultiIndex.from_arrays([code, letter]))
    general = index.get_indexer(pd.MultiIndex.from_arrays([code, np.full(len(code), "")]))
    row = np.where(exact >= 0, exact, general)
    known = row >= 0
    meaning = table.iloc[np.where(known, row, 0)].reset_index(drop=True)
    others = meaning["letters"].to_numpy(dtype=object)
    named = [bool(one) and one in many for one, many in zip(letter, others, strict=True)]
    is_general = meaning["characterisation"].to_numpy() == ""
    words = meaning[["name", "kind", "feature", "how", "grades"]].astype(object)
    words.loc[~known] = ""
    size = _read_sizes(inspections["quantification"], code)
    counted = meaning["how"].to_numpy() == "count"
    amount = np.where(counted, 1.0, size * meaning["factor"].to_numpy(dtype=float))
    split = meaning["is_split"].to_numpy(dtype=bool) & is_general
    return pd.concat([inspections.reset_index(drop=True), words], axis=1).assign(
        main_code=code,
        code_row=np.where(known, row, -1),
        amount=np.where(known, amount, np.nan),
        is_understood=known,
        is_kind_known=known & (~split | np.array(named, dtype=bool)),
    )


def _read_letters(inspections: pd.DataFrame) -> tuple[Texts, Texts]:
    """Read the main code and the first characterisation of each observation; blank for none.

    Many observations are written alike: each way of writing is read once.
    """
    written = [inspections[name].fillna("").astype(str) for name in ("code", "characterisation")]
    kinds = pd.DataFrame(dict(enumerate(written)))
    number = kinds.groupby([0, 1], sort=False).ngroup().to_numpy()
    kinds = kinds.drop_duplicates(ignore_index=True)
    parts = kinds[0].str.strip().str.upper().str.extract(CODE_PATTERN).fillna("")
    given = kinds[1].str.strip().str.upper().str[:1]
    letter = given.where(given != "", parts[1])
    code, first = parts[0].to_numpy(dtype=object), letter.to_numpy(dtype=object)
    return code[number], first[number]


def _read_sizes(quantification: pd.Series, code: NDArray[np.object_]) -> Floats:
    """Read the sizes of observations; 0 is not known but where `NOUGHT_CODES` allow it."""
    size = pd.to_numeric(quantification, errors="coerce").to_numpy(dtype=float)
    return np.where((size == 0) & ~np.isin(code, NOUGHT_CODES), np.nan, size)


def describe_observations(inspections: pd.DataFrame) -> pd.DataFrame:
    """Add to an inspection's table what its codes mean.

    Parameters
    ----------
    inspections : DataFrame, n rows
        See `match_codes`.

    Returns
    -------
    pandas.DataFrame
        The same rows with `ADDED_COLUMNS`.

    Raises
    ------
    KeyError
        If a table lacks a column that is named above.

    Examples
    --------
    >>> seen = pd.DataFrame({"run_id": ["S1"], "chainage_m": [12.0], "code": ["BBA"],
    ...     "characterisation": ["C"], "quantification": [30.0], "clock": [""],
    ...     "at_joint": [False]})
    >>> describe_observations(seen)[["feature", "amount"]].values.tolist()
    [['root_share', 0.3]]
    """
    matched = match_codes(inspections)
    return inspections.assign(**{name: matched[name].to_numpy() for name in ADDED_COLUMNS})


def list_kinds(matched: pd.DataFrame) -> pd.DataFrame:
    """List every kind that each observation may be.

    Parameters
    ----------
    matched : DataFrame
        From `match_codes`, with `run`.

    Returns
    -------
    pandas.DataFrame
        One row per observation that is understood and kind that it may be: seen (position in
        `matched`), run, kind, feature, how, grades, amount (NaN where no size was given), and
        is_sure (there is one kind only).
    """
    table = read_codes()
    seen = np.arange(len(matched))
    plain = matched.assign(seen=seen)[["seen", "run", "main_code", "code_row", "quantification"]]
    sure = matched["is_kind_known"].to_numpy(dtype=bool)
    open_ = matched["is_understood"].to_numpy(dtype=bool) & ~sure
    rows = table.assign(code_row=np.arange(len(table))).rename(columns={"code": "main_code"})
    one = plain[sure].merge(rows.drop(columns="main_code"), on="code_row", how="left")
    many = plain[open_].drop(columns="code_row").merge(rows, on="main_code", how="left")
    found = pd.concat([one.assign(is_sure=True), many.assign(is_sure=False)], ignore_index=True)
    size = _read_sizes(found["quantification"], found["main_code"].to_numpy())
    amount = np.where(found["how"] == "count", 1.0, size * found["factor"].to_numpy(dtype=float))
    names = ["seen", "run", "kind", "feature", "how", "grades", "is_sure"]
    listed: pd.DataFrame = found[names].assign(amount=amount)
    return listed


def review_codes(inspections: pd.DataFrame, *, where: str) -> pd.DataFrame:
    """Tell what of the observations is not understood, or leaves something open.

    Parameters
    ----------
    inspections : DataFrame
        See `match_codes`.
    where : str
        File and layer, for messages.

    Returns
    -------
    pandas.DataFrame
        Findings: one per code that is not known, and one per main code for kinds, sizes and
        places that are not given, each with its count.

    Raises
    ------
    LayerError
        If nothing of a table is understood; the message lists the codes.

    Examples
    --------
    >>> seen = pd.DataFrame({"run_id": ["S1"], "chainage_m": [12.0], "code": ["BBA"],
    ...     "characterisation": ["C"], "quantification": [30.0], "clock": [""],
    ...     "at_joint": [False]})
    >>> len(review_codes(seen, where="survey.csv"))
    0
    """
    findings = Findings()
    if inspections.empty:
        return findings.table()
    matched = match_codes(inspections)
    strange = matched[~matched["is_understood"].to_numpy(dtype=bool)]
    codes = strange["code"].fillna("").astype(str).str.strip()
    counts = codes.value_counts(sort=False).sort_index().sort_values(ascending=False, kind="stable")
    if len(strange) == len(matched):
        raise LayerError(_refusal(counts, where))
    for code, count in counts.items():
        seen = (
            say(
                'code "{code}" on {n:,} observation: not understood',
                'code "{code}" on {n:,} observations: not understood',
                code=str(code),
                n=count,
            )
            if code
            else say("{n:,} observation without code", "{n:,} observations without code", n=count)
        )
        done = say(
            "may be any defect: what else its runs hold is taken as not known; translate it with "
            "{setting} in the study file (a main code of EN 13508-2)",
            setting=f'values.inspections.code."{code or "..."}"',
        )
        findings.note("warning", "inspections", "code", seen, done)
    _note_open(matched, findings)
    return findings.table()


def _refusal(counts: pd.Series, where: str) -> str:
    """Say that nothing of a table is understood, with its codes and the remedy."""
    listed = ", ".join(
        f'"{code}" ({count:,})' if code else f"blank ({count:,})"
        for code, count in counts.head(LISTED_CODES).items()
    )
    rest = len(counts) - LISTED_CODES
    listed += f" and {rest:,} more" if rest > 0 else ""
    first = next((str(code) for code in counts.index if code), "...")
    return (
        f"{where}: the code of none of its {write_count(counts.sum(), 'observation')} is "
        f"understood: {listed}. Codes are the main codes of EN 13508-2, such as BAC or BBA; "
        f"translate them under [values.inspections.code] in the study file, such as "
        f'"{first}" = "BBA" (with its '
        'characterisation: "BAC C"), or take the layer out'
    )


def _note_open(matched: pd.DataFrame, findings: Findings) -> None:
    """Note the faults whose kind, size or place is not given, by main code."""
    known = matched["is_understood"].to_numpy(dtype=bool)
    is_fault = matched["kind"].isin(["structural", "operational"]).to_numpy()
    is_share = matched["feature"].astype(str).str.endswith("_share").to_numpy()
    is_nought = pd.to_numeric(matched["quantification"], errors="coerce").eq(0).to_numpy()
    gaps = (
        (
            "characterisation",
            known & ~matched["is_kind_known"].to_numpy(dtype=bool),
            say("kind not given"),
            say("may be any kind of its code: what depends on it is not known"),
        ),
        (
            "quantification",
            known & matched["amount"].isna().to_numpy() & ~is_nought,
            say("size not given"),
            say("of unknown extent: what depends on it is not known"),
        ),
        (
            "quantification",
            known & matched["amount"].isna().to_numpy() & is_nought,
            say("size given as 0"),
            say("taken as not measured: what depends on it is not known"),
        ),
        (
            "quantification",
            is_share & (matched["amount"].to_numpy(dtype=float) > 1),
            say("size above 100 %"),
            say("kept, as more than the whole; is it in another unit?"),
        ),
        (
            "chainage_m",
            is_fault & pd.to_numeric(matched["chainage_m"]).isna().to_numpy(),
            say("place not given"),
            say(
                "counts as a defect of its run; locate it: no dig, repair or tree is set out for it"
            ),
        ),
    )
    for field, is_open, what, done in gaps:
        some = matched[is_open]
        names = some.groupby("main_code")["name"].agg(["size", "last"])
        general = read_codes().drop_duplicates("code", keep="last").set_index("code")["name"]
        for code, count in names["size"].items():
            seen = say(
                "{code} ({meaning}), {n:,} observation: {gap}",
                "{code} ({meaning}), {n:,} observations: {gap}",
                code=str(code),
                meaning=word(general[str(code)]),
                n=count,
                gap=what,
            )
            findings.note("warning", "inspections", field, seen, done)
