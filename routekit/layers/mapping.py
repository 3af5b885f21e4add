"""From the columns of an authority to the canonical columns, cell by cell of one type.

For each canonical column the study file may name source columns in order of trust: the first
known value wins. Codes are translated, units turned into the canonical unit, and values that
mean «not known» become NaN. What is read from where is kept as a table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from routekit.arrays import ID_MARK
from routekit.errors import FieldError
from routekit.layers.assumed import LEAST_CROWN, add_assumed
from routekit.layers.bore_columns import name_sizes
from routekit.layers.classes import note_classes, read_column_lengths, read_least
from routekit.layers.columns import (
    NUMBER_KINDS,
    SIZE_COLUMNS,
    Column,
    find_lacking,
    load_columns,
    suggest_name,
)
from routekit.layers.parsing import (
    Numbers,
    read_flags,
    read_ids,
    read_numbers,
    read_text,
    read_years,
)
from routekit.layers.settings import METRES
from routekit.layers.units import (
    CONSTANT_MARK,
    ColumnUnit,
    check_unit,
    report_named_unit,
    settle_unit,
)
from routekit.layers.value_words import understand_words
from routekit.words.columns import say_each
from routekit.words.texts import join, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from routekit.arrays import Flags
    from routekit.layers.aside import Aside
    from routekit.layers.findings import Findings
    from routekit.layers.raw_layers import RawLayer
    from routekit.layers.settings import InputSettings, Scalar

JOIN_MARK: Final = " + "
"""Stands between column names whose texts are joined."""

_CUT_FORMATS: Final = (".shp", ".dbf")
_CUT_LETTERS: Final = 10
"""Letters that a name in a dBase table has at most (from memory of the published format)."""

MAPPING_COLUMNS: Final = ("layer", "column", "source", "unit", "known", "rows")


@dataclass(frozen=True, kw_only=True)
class MappedLayer:
    """A layer in canonical columns, the names of its rows, and what came from where."""

    table: pd.DataFrame
    keys: pd.Series
    mapping: pd.DataFrame
    units: dict[str, ColumnUnit]

    def put_aside(self, aside: Aside) -> MappedLayer:
        """Give the same layer, its rows put away."""
        return self._move(aside.put_aside)

    def take_down(self, aside: Aside) -> MappedLayer:
        """Give the same layer as steps work on it."""
        return self._move(aside.take_down)

    def _move(self, move: Callable[[pd.DataFrame], pd.DataFrame]) -> MappedLayer:
        """Move table and names of rows."""
        keys = move(self.keys.to_frame("key"))["key"]
        keys.name = self.keys.name
        return replace(self, table=move(self.table), keys=keys)


@dataclass(frozen=True, kw_only=True)
class _Rules:
    """What the study file says about one column."""

    column: Column
    declared: str | None
    codes: dict[str, Scalar]
    missing: tuple[Scalar, ...]
    is_cut: bool = False
    """Whether the name of its source is cut short, and so says nothing of the unit."""

    def unit_of(self, source: str) -> ColumnUnit:
        """Settle the unit of one source column."""
        if self.is_cut and self.declared is None:
            return ColumnUnit(self.column.unit, "assumed", source)
        return settle_unit(self.column, self.declared, source)

    def factor(self, source: str) -> float:
        """Multiplier from the unit of a source column to the canonical one."""
        if self.column.unit not in METRES:
            return 1.0
        return METRES[self.unit_of(source).unit] / METRES[self.column.unit]


def map_layer(raw: RawLayer, *, inputs: InputSettings, findings: Findings) -> MappedLayer:
    """Translate a layer into its canonical columns.

    Parameters
    ----------
    raw : RawLayer
        The layer as read, n rows.
    inputs : InputSettings
        Sections fields, values, units and missing.
    findings : Findings
        Takes cells that cannot be read and the counts per source column.

    Returns
    -------
    MappedLayer
        `table` has all canonical columns of the layer (text as str, numbers as float64, flags as
        float64 1, 0, NaN) and `assumed` (see `routekit.layers.assumed`) on a range index of n rows;
        `keys` names each row by its id, else «row 17»; `mapping` has `MAPPING_COLUMNS`; `units`
        says for each column that has a source in which unit its first one is read.

    Raises
    ------
    FieldError
        If a named source column does not exist, or a required one cannot be found.
    """
    columns = load_columns(raw.layer)
    sources = {name: _find_sources(raw, column, inputs) for name, column in columns.items()}
    cut = _find_cut_names(raw, sources, inputs)
    sources |= {name: [source] for name, source in cut.items()}
    _tell_cut_names(raw.layer, cut, findings)
    _refuse_missing(raw, sources)
    _report_twins(raw, sources, findings)
    keys = name_rows(raw, sources)
    table: dict[str, pd.Series] = {}
    assumed = pd.Series("", index=raw.frame.index, dtype="str")
    lines: list[tuple[str, str, str, str, int, int]] = []
    units: dict[str, ColumnUnit] = {}
    for name, column in columns.items():
        rules = replace(_rules_for(column, inputs), is_cut=name in cut)
        if name == "diameter_mm" and "shape_size" in table:
            for source in [each for each in sources[name] if each in raw.frame]:
                coded = _find_size_codes(raw, source, rules, table["shape_size"], findings)
                table["shape_size"] = table["shape_size"].fillna(coded)
                taken = raw.frame.loc[coded.notna(), source].unique()
                rules = replace(rules, missing=(*rules.missing, *taken))
        cells, counts, is_constant = _read_column(raw, sources[name], rules, keys, findings)
        if name == "crown_diameter_m":
            measured = cells.mask(is_constant)
            for source in [each for each in sources[name] if each in raw.frame]:
                least = read_least(column, raw.frame[source], rules.factor(source))
                is_open = measured.isna().to_numpy(dtype=bool) & ~np.isnan(least)
                cells, is_constant = cells.mask(is_open, least), is_constant & ~is_open
                assumed = add_assumed(assumed, is_open, LEAST_CROWN)
        table[name] = cells
        assumed = add_assumed(assumed, is_constant, name)
        lines += [
            (raw.layer, name, source, rules.unit_of(source).unit, n, len(cells))
            for source, n in counts.items()
        ]
        units |= _settle_units(raw, rules, sources[name], findings)
        _note_counts(raw.layer, name, counts, len(cells), findings)
        _note_constants(rules, is_constant, findings)
    return MappedLayer(
        table=pd.DataFrame(table, index=raw.frame.index).assign(assumed=assumed),
        keys=keys,
        mapping=pd.DataFrame(lines, columns=list(MAPPING_COLUMNS)),
        units=units,
    )


def _settle_units(
    raw: RawLayer, rules: _Rules, sources: list[str], findings: Findings
) -> dict[str, ColumnUnit]:
    """Say in which unit a column is read; text that is parsed later can be in one unit only."""
    read_as = [rules.unit_of(source) for source in sources]
    for each in read_as if not rules.is_cut else ():
        report_named_unit(raw.layer, rules.column.name, each, findings)
    name, layer = rules.column.name, raw.layer
    if rules.column.kind not in NUMBER_KINDS and len({each.unit for each in read_as}) > 1:
        told = ", ".join(f'"{each.source}" in {each.unit}' for each in read_as)
        findings.ask(
            f'{raw.path}, layer "{raw.layer_name}": {name} is read from {told}; bring them to one '
            f"unit, name one of them, or say units.{layer}.{name} in the study file"
        )
    return {name: read_as[0]} if read_as else {}


def name_rows(raw: RawLayer, sources: dict[str, list[str]]) -> pd.Series:
    """Name each row of a layer by its id, else by its place in the source from 1."""
    places = pd.Series(np.arange(1, len(raw.frame) + 1), index=raw.frame.index).astype("str")
    places = ("row " + places).astype("str")
    first = next(iter(load_columns(raw.layer).values()))
    named = [each for each in sources[first.name] if not each.startswith(CONSTANT_MARK)]
    if not named:
        return places
    ids = read_ids(raw.frame[named[0]])
    return ids.where(ids.notna(), places)


def _find_sources(raw: RawLayer, column: Column, inputs: InputSettings) -> list[str]:
    """Find the source columns of one canonical column: those named, else one of its name.

    Loose names (`height`, `depth`) count only in a layer of which the study maps no field; where
    it maps a joint code, shape and size are taken from it alone unless they are mapped as well.
    """
    held = [str(name) for name in raw.frame.columns if name != "geometry"]
    present = {name.casefold(): name for name in reversed(held)} | {name: name for name in held}
    mapped = inputs.fields.get(raw.layer, {})
    named = mapped.get(column.name)
    if named is None:
        if "shape_size" in mapped and column.name in SIZE_COLUMNS:
            return []
        names = (column.name,) if mapped else (column.name, *column.aliases)
        return [present[n] for n in names if n in present][:1]
    wanted = [named] if isinstance(named, str) else named
    found = []
    for name in wanted:
        if name.startswith(CONSTANT_MARK):
            found.append(name)
            continue
        if column.kind == "text" and JOIN_MARK in name and name.strip() not in held:
            parts = [part.strip() for part in name.split(JOIN_MARK)]
            if all(part in held for part in parts):
                found.append(JOIN_MARK.join(parts))
                continue
        exact = name.strip() if name.strip() in held else None
        match = exact or present.get(name.strip().casefold())
        if match is None:
            msg = (
                f'fields.{raw.layer}.{column.name}: {raw.path}, layer "{raw.layer_name}" has no '
                f'column "{name}"; {suggest_name(name, held)}'
            )
            raise FieldError(msg)
        found.append(match)
    return found


def _find_cut_names(
    raw: RawLayer, sources: dict[str, list[str]], inputs: InputSettings
) -> dict[str, str]:
    """Find columns whose names a shapefile cut short, where one canonical column alone fits."""
    if raw.path.suffix.lower() not in _CUT_FORMATS:
        return {}
    mapped = inputs.fields.get(raw.layer, {})
    taken = {each.casefold() for given in sources.values() for each in given}
    columns = load_columns(raw.layer)
    names = {
        name: (name,) if mapped else (name, *column.aliases) for name, column in columns.items()
    }
    known = {each for several in names.values() for each in several}
    found: dict[str, list[str]] = {}
    for held in [str(each) for each in raw.frame.columns if each != "geometry"]:
        plain = held.casefold()
        if len(held) != _CUT_LETTERS or plain in taken or plain in known:
            continue
        fits = [name for name, each in names.items() if any(one.startswith(plain) for one in each)]
        fits = [name for name in fits if not ("shape_size" in mapped and name in SIZE_COLUMNS)]
        if len(fits) == 1 and not sources[fits[0]] and fits[0] not in mapped:
            found.setdefault(fits[0], []).append(held)
    return {name: held[0] for name, held in found.items() if len(held) == 1}


def _tell_cut_names(layer: str, cut: dict[str, str], findings: Findings) -> None:
    """Say which names were taken as cut short."""
    for name, source in cut.items():
        seen = say('column "{source}": its name is cut short to 10 letters', source=source)
        done = say(
            "read as {name}, which alone begins so; {setting} overrides it",
            name=name,
            setting=f"fields.{layer}.{name}",
        )
        findings.note("warning", layer, name, seen, done)


def _report_twins(raw: RawLayer, sources: dict[str, list[str]], findings: Findings) -> None:
    """Tell which of several columns is read whose names differ in case alone."""
    held = [str(name) for name in raw.frame.columns if name != "geometry"]
    for name, given in sources.items():
        for source in given:
            twins = [each for each in held if each.casefold() == source.casefold()]
            if len(twins) > 1:
                seen = say("duplicate column names: {names}", names=", ".join(twins))
                done = say("{layer} is read", layer=source)
                findings.note("warning", raw.layer, name, seen, done)


def _refuse_missing(raw: RawLayer, sources: dict[str, list[str]]) -> None:
    """Refuse a layer without a required column, naming the line that would map it."""
    columns = load_columns(raw.layer)
    lacking = find_lacking(raw.layer, [name for name, given in sources.items() if given])
    if not lacking:
        return
    held = ", ".join(str(name) for name in raw.frame.columns if name != "geometry")
    lines = " and ".join(f'fields.{raw.layer}.{name} = "..."' for name in lacking)
    choices = [name for name in lacking if columns[name].choices]
    same = f'; a constant such as "={columns[choices[0]].fallback}" will do' if choices else ""
    msg = (
        f'{raw.path}, layer "{raw.layer_name}": no column for the required {", ".join(lacking)}; '
        f"say {lines} in the study file with one of its columns: {held}{same}"
    )
    raise FieldError(msg)


def _rules_for(column: Column, inputs: InputSettings) -> _Rules:
    """Gather what the study file says about one column."""
    codes = inputs.values.get(column.layer, {}).get(column.name, {})
    return _Rules(
        column=column,
        declared=inputs.units.get(column.layer, {}).get(column.name),
        codes={code.strip().casefold(): meaning for code, meaning in codes.items()},
        missing=inputs.missing.get(column.layer, {}).get(column.name, ()),
    )


def _read_column(
    raw: RawLayer, sources: list[str], rules: _Rules, keys: pd.Series, findings: Findings
) -> tuple[pd.Series, dict[str, int], Flags]:
    """Read one canonical column from its candidates; the first known value wins.

    Gives the cells, how many each candidate gave, and which of them a constant gave.
    """
    is_number = rules.column.kind in (*NUMBER_KINDS, "flag")
    cells = pd.Series(np.nan, index=raw.frame.index, dtype="float64" if is_number else "str")
    counts: dict[str, int] = {}
    is_constant = np.zeros(len(cells), dtype=bool)
    for source in sources:
        if source.startswith(CONSTANT_MARK):
            text = source.removeprefix(CONSTANT_MARK).strip()
            column = pd.Series(text, index=raw.frame.index, dtype="str")
        elif source in raw.frame:
            column = raw.frame[source]
        else:
            column = _join_columns(raw.frame, source)
        read = _convert(raw, column, source, rules, keys, findings)
        is_new = cells.isna() & read.notna()
        cells = cells.where(~is_new, read)
        counts[source] = int(is_new.sum())
        is_constant |= source.startswith(CONSTANT_MARK) & is_new.to_numpy(dtype=bool)
    return cells, counts, is_constant


def _find_size_codes(
    raw: RawLayer, source: str, rules: _Rules, given: pd.Series, findings: Findings
) -> pd.Series:
    """Find sizes with a shape in a column of widths, on rows without a size code, and say so."""
    text = read_text(raw.frame[source]).where(given.isna())
    text = text.mask(text.str.casefold().isin(rules.codes) | _means_missing(text, rules.missing))
    cells = pd.Series(text.dropna().unique(), dtype="str")
    cells = cells[_read_kind(cells, source, rules)[0].is_bad]
    codes = name_sizes(cells, unit=rules.unit_of(source).unit)
    found = text.map(dict(zip(cells, codes, strict=True))).astype("str")
    if number := int(found.notna().sum()):
        seen = say(
            'column "{source}" writes shape and size together on {n:,} row, such as "{cell}"',
            'column "{source}" writes shape and size together on {n:,} rows, such as "{cell}"',
            source=source,
            n=number,
            cell=text[found.notna()].iloc[0],
        )
        done = say("both read; {setting} overrides it", setting=f"fields.{raw.layer}.shape_size")
        findings.note("info", raw.layer, "diameter_mm", seen, done)
    return found


def _join_columns(frame: pd.DataFrame, source: str) -> pd.Series:
    """Join the texts of several columns, such as genus and species, between blanks."""
    texts = [read_text(frame[part]).fillna("") for part in source.split(JOIN_MARK)]
    joined = texts[0]
    for text in texts[1:]:
        joined = (joined + " " + text).str.strip()
    bare: pd.Series = joined.mask(joined.eq(""))
    return bare


def _convert(
    raw: RawLayer,
    column: pd.Series,
    source: str,
    rules: _Rules,
    keys: pd.Series,
    findings: Findings,
) -> pd.Series:
    """Turn the cells of one source column into the canonical kind."""
    kind = rules.column.kind
    if kind in (*NUMBER_KINDS, "flag"):
        return _convert_numbers(raw, column, source, rules, keys, findings)
    text = read_ids(column) if kind in ("id", "ref") else read_text(column)
    if kind in ("id", "ref"):
        text = _free_ids(text, rules.column, keys, findings)
    text = text.mask(_means_missing(text, rules.missing))
    return text if kind in ("id", "ref", "code") else _translate(text, source, rules, findings)


def _free_ids(text: pd.Series, column: Column, keys: pd.Series, findings: Findings) -> pd.Series:
    """Free ids of the sign that parts them where the result lists several."""
    holds = text.str.contains(ID_MARK, regex=False, na=False).astype(bool)
    if not holds.any():
        return text
    done = say('read with "," for "{mark}", which separates ids in the result', mark=ID_MARK)
    seen = say_each('id "{id}" holds "{mark}"', id=text[holds], mark=ID_MARK)
    findings.add("info", column.layer, keys[holds], field=column.name, seen=seen, done=done)
    return text.str.replace(ID_MARK, ",", regex=False)


def _convert_numbers(
    raw: RawLayer,
    column: pd.Series,
    source: str,
    rules: _Rules,
    keys: pd.Series,
    findings: Findings,
) -> pd.Series:
    """Turn cells into numbers (flags into 1 and 0); codes with a meaning go before numbers."""
    numbers, factors = _read_kind(column, source, rules)
    values, is_bad = numbers.values * factors, numbers.is_bad
    is_told = np.zeros(len(column), dtype=bool)
    if rules.codes or rules.missing:
        text = read_text(column)
        meanings = text.str.casefold().map({c: float(v) for c, v in rules.codes.items()})
        is_coded = meanings.notna().to_numpy()
        is_none = _means_missing(text, rules.missing).to_numpy() & ~is_coded
        values = np.where(is_coded, meanings.to_numpy(dtype=np.float64), values)
        values = np.where(is_none, np.nan, values)
        is_told = is_coded | is_none
        is_bad = is_bad & ~is_told
    note_classes(rules.column, source, column.mask(is_told), keys, findings)
    is_written = factors != rules.factor(source)
    _check_numbers(raw, values[~is_written], source, rules, findings)
    _report_cells(raw, column, source, rules, keys, is_bad, findings)
    n_written = int(is_written.sum())
    if n_written:
        unit = rules.unit_of(source).unit
        seen = say(
            'column "{source}" writes another unit than {unit} on {n:,} row',
            'column "{source}" writes another unit than {unit} on {n:,} rows',
            source=source,
            unit=unit,
            n=n_written,
        )
        done = say("each read in the unit written")
        findings.note("info", raw.layer, rules.column.name, seen, done)
    n_commas = int(numbers.has_comma.sum())
    if n_commas:
        seen = say(
            'column "{source}" writes {n:,} number with a decimal comma',
            'column "{source}" writes {n:,} numbers with a decimal comma',
            source=source,
            n=n_commas,
        )
        findings.note("info", raw.layer, rules.column.name, seen, say("read as decimals"))
    return pd.Series(values, index=column.index)


def _check_numbers(
    raw: RawLayer, values: np.ndarray, source: str, rules: _Rules, findings: Findings
) -> None:
    """Hold the median of a column of lengths against its unit; a constant is the user's word."""
    if rules.column.unit not in METRES or source.startswith(CONSTANT_MARK):
        return
    check_unit(
        raw.layer,
        rules.column.name,
        values / rules.factor(source),
        read_as=rules.unit_of(source),
        where=f'{raw.path}, layer "{raw.layer_name}"',
        findings=findings,
    )


def _read_kind(column: pd.Series, source: str, rules: _Rules) -> tuple[Numbers, np.ndarray]:
    """Read cells as numbers, years, or flags of 1 and 0, with the multiplier of each cell."""
    factors = np.full(len(column), rules.factor(source))
    if rules.column.kind == "year":
        return read_years(column), factors
    if rules.column.kind == "flag":
        values, is_bad = read_flags(column)
        return Numbers(values, is_bad, np.zeros(len(column), dtype=bool)), factors
    if rules.column.unit not in METRES:
        return read_numbers(column), factors
    lengths = read_column_lengths(rules.column, column)
    written = lengths.units.map(METRES).to_numpy(dtype=np.float64) / METRES[rules.column.unit]
    return lengths.numbers, np.where(np.isnan(written), factors, written)


def _translate(text: pd.Series, source: str, rules: _Rules, findings: Findings) -> pd.Series:
    """Translate codes; canonical words stay, common words of several languages are understood."""
    meanings: dict[str, Any] = {}
    if rules.column.choices:
        meanings |= {choice.replace("_", " "): choice for choice in rules.column.choices}
        meanings |= {choice: choice for choice in rules.column.choices}
    meanings |= {code: str(meaning) for code, meaning in rules.codes.items()}
    if not meanings:
        return text
    known = text.str.casefold().map(meanings).astype("str")
    left = text[known.isna()].dropna()
    words = understand_words(rules.column.layer, rules.column.name, left.unique())
    known = known.where(known.notna(), text.map(words).astype("str"))
    _note_words(source, left.map(words).dropna(), left, rules.column, findings)
    if rules.column.name == "status":
        _ask_status(text[known.isna()].dropna(), source, rules.column, findings)
    return known.where(known.notna(), text)


def _note_words(
    source: str, meant: pd.Series, texts: pd.Series, column: Column, findings: Findings
) -> None:
    """Say which words were understood that the study does not translate, with their counts."""
    if meant.empty:
        return
    pairs = pd.DataFrame({"word": texts[meant.index], "meaning": meant}).value_counts()
    said = [
        say('"{word}" as {meaning} ({rows:,})', word=str(key[0]), meaning=str(key[1]), rows=rows)
        for key, rows in zip(pairs.index, pairs.tolist(), strict=True)
    ]
    seen = say(
        'column "{source}": common words read as what they mean, with their rows: {words}',
        source=source,
        words=join(said, ", "),
    )
    done = say(
        "translate a word with {setting} where it means otherwise",
        setting=f"values.{column.layer}.{column.name}",
    )
    findings.note("info", column.layer, column.name, seen, done)


def _ask_status(unknown: pd.Series, source: str, column: Column, findings: Findings) -> None:
    """Ask for the words of status that nobody has translated: they would be taken as live."""
    if unknown.empty:
        return
    where = f"{column.layer}.{column.name}"
    counts = unknown.value_counts()
    said = ", ".join(f'"{word}" ({n:,})' for word, n in counts.items())
    rows = "row" if counts.sum() == 1 else "rows"
    findings.ask(
        f'{column.layer}: column "{source}" holds words that do not say whether the row counts, on '
        f"{counts.sum():,} {rows}: {said}; say for each values.{where}."
        f'"{counts.index[0]}" = "keep" or "exclude" in the study file, or '
        f'fields.{where} = "=keep" where the column is no status'
    )


def _means_missing(text: pd.Series, missing: tuple[Scalar, ...]) -> pd.Series:
    """Mark the cells that the study declares as «not known»."""
    if not missing:
        return pd.Series(False, index=text.index)
    declared = set(read_text(pd.Series([str(each) for each in missing], dtype="str")).dropna())
    declared |= {each.removesuffix(".0") for each in declared}
    return text.isin(declared)


def _report_cells(
    raw: RawLayer,
    column: pd.Series,
    source: str,
    rules: _Rules,
    keys: pd.Series,
    is_bad: np.ndarray,
    findings: Findings,
) -> None:
    """Make a finding of each cell that is not of the canonical kind."""
    if not is_bad.any():
        return
    name, layer = rules.column.name, raw.layer
    cells = column[is_bad].astype("str")
    told: dict[str, Any] = {"source": source, "file": raw.path.name, "cell": cells}
    seen = (
        say_each('column "{source}" of {file}: "{cell}" is not yes or no', **told)
        if rules.column.kind == "flag"
        else say_each('column "{source}" of {file}: "{cell}" is not a number', **told)
    )
    done = say(
        "taken as not known; translate it with {setting} in the study file",
        setting=f'values.{layer}.{name}."..."',
    )
    findings.add("warning", layer, keys[is_bad], field=name, seen=seen, done=done)


def _note_counts(
    layer: str, name: str, counts: dict[str, int], n_rows: int, findings: Findings
) -> None:
    """Say how many values each of several candidates gave."""
    if len(counts) <= 1:
        return
    parts = [
        say("{source} on {n:,} row", "{source} on {n:,} rows", source=source, n=n)
        for source, n in counts.items()
    ]
    seen = say(
        "{columns}; not known on {rows:,}",
        columns=join(parts, ", "),
        rows=n_rows - sum(counts.values()),
    )
    findings.note("info", layer, name, seen, say("first known value used"))


def _note_constants(rules: _Rules, is_constant: Flags, findings: Findings) -> None:
    """Say how many values of a measured column are a constant of the study file."""
    column, number = rules.column, int(is_constant.sum())
    if not number or column.kind not in (*NUMBER_KINDS, "stem"):
        return
    seen = say(
        "not known on {n:,} of {total:,} rows; the study file gives a constant",
        "not known on {n:,} of {total:,} rows; the study file gives a constant",
        n=number,
        total=len(is_constant),
    )
    done = say("used, and reported as assumed: no check passes by it")
    findings.note("warning", column.layer, column.name, seen, done)
