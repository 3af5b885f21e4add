"""Findings say messages of the catalogues: no call builds its text at run time."""

import ast
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import routekit
from routekit.layers.findings import Findings
from routekit.outputs.finding_lines import list_findings
from routekit.words import catalogue
from routekit.words.columns import say_each
from routekit.words.extract import collect_messages
from routekit.words.texts import SLOT, say

PACKAGE = Path(routekit.__file__).parent
SAYING = {"say", "say_each", "word", "message"}
TOLD = {"add": ("seen", "done"), "note": (3, 4)}
"""Method of `Findings` to the arguments that are texts, by name or place."""


def calls_of_findings(tree):
    """Calls of `add` and `note` on findings, each with the function that it stands in."""
    for home in ast.walk(tree):
        if isinstance(home, ast.FunctionDef):
            for call in ast.walk(home):
                if (
                    isinstance(call, ast.Call)
                    and isinstance(call.func, ast.Attribute)
                    and call.func.attr in TOLD
                    and "findings" in ast.unparse(call.func.value)
                ):
                    yield home, call


def texts_of(call):
    """The texts that a call tells."""
    given = dict(enumerate(call.args)) | {each.arg: each.value for each in call.keywords}
    return [given[at] for at in TOLD[call.func.attr] if at in given]


def values_of(home, name):
    """Whatever a function gives a name, also in a loop over a table of cases."""
    for node in ast.walk(home):
        if isinstance(node, ast.Assign | ast.AnnAssign | ast.AugAssign | ast.For):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = {
                each.id for at in targets for each in ast.walk(at) if isinstance(each, ast.Name)
            }
            if name in names and (value := node.iter if isinstance(node, ast.For) else node.value):
                yield value


def bare_texts(node):
    """Texts made at run time within an expression, outside the values of a message."""
    if isinstance(node, ast.Call):
        return
    if isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str) and SLOT.search(node.value)
    ):
        yield ast.unparse(node)
    if isinstance(node, ast.BinOp | ast.JoinedStr) and any(
        isinstance(each, ast.Constant) and isinstance(each.value, str) for each in ast.walk(node)
    ):
        yield ast.unparse(node)
    for child in ast.iter_child_nodes(node):
        yield from bare_texts(child)


FOUND = [
    (path.relative_to(PACKAGE).as_posix(), home, call)
    for path in sorted(PACKAGE.rglob("*.py"))
    for home, call in calls_of_findings(ast.parse(path.read_text(encoding="utf-8")))
]


def test_all_findings_of_the_package_are_seen():
    assert len({(place, call.lineno) for place, _, call in FOUND}) >= 75


@pytest.mark.parametrize("place", sorted({place for place, _, _ in FOUND}))
def test_no_finding_is_told_by_a_text_made_at_run_time(place):
    for _, home, call in (each for each in FOUND if each[0] == place):
        for text in texts_of(call):
            constant = text.value if isinstance(text, ast.Constant) else None
            assert constant is None, ast.unparse(call)
            values = values_of(home, text.id) if isinstance(text, ast.Name) else [text]
            assert not [bare for value in values for bare in bare_texts(value)], ast.unparse(call)


def test_a_text_made_at_run_time_is_found():
    tree = ast.parse(
        "def f(findings, n):\n"
        "    seen = f'{n} rows'\n"
        "    for name, done in (('a', 'row ' + n), ('b', say('kept {n}', n=n))):\n"
        "        findings.note('info', 'trees', name, seen, done)\n"
    )
    [(home, call)] = calls_of_findings(tree)
    seen, done = texts_of(call)
    assert [bare for each in values_of(home, seen.id) for bare in bare_texts(each)]
    assert list(bare_texts(next(values_of(home, done.id)))) == ["'row ' + n"]


def test_every_message_of_a_finding_stands_in_the_catalogues():
    known = {
        one
        for entry in collect_messages()
        for one in ([entry.id] if isinstance(entry.id, str) else entry.id)
    }
    assert {"row left out", "line of zero length", "{n} lines repeat a vertex"} <= known
    assert 'column "{source}" of {file}: "{cell}" is not a number' in known


def told():
    """Findings of two causes whose texts differ only in their values, and one of another."""
    findings = Findings()
    rows = [f"T{n}" for n in range(7)]
    odd = say_each("{x:.1f} m is too tall", x=np.arange(7.0))
    findings.add("info", "trees", rows, field="height_m", seen=odd, done=say("left out"))
    findings.add(
        "info", "trees", rows[:1], field="height_m", seen=say("none"), done=say("left out")
    )
    seen = say("{n:,} row is bad", "{n:,} rows are bad", n=1)
    findings.note("error", "sewers", "", seen, say("kept"))
    return findings.table()


def test_causes_are_grouped_by_message_worst_first():
    assert list_findings(told()) == [
        "9 findings",
        "error: sewers: 1 row is bad; kept",
        "info: trees.height_m, T0, T1, T2, T3, T4 and 2 more: 0.0 m is too tall (the first of 7); "
        "left out",
        "info: trees.height_m, T0: none; left out",
    ]
    assert len(list_findings(told(), is_all=True)) == 10
    assert list_findings(told(), is_all=True)[-1] == "info: trees.height_m, T0: none; left out"


def test_a_row_of_several_findings_of_a_cause_is_named_once():
    """Observations are told by their run, which may have dozens."""
    findings = Findings()
    runs = ["R1"] * 4 + ["R2"] * 4 + ["R3"]
    findings.add(
        "warning", "inspections", runs, field="at_joint", seen=say("not known"), done=say("kept")
    )
    line = list_findings(findings.table())[1]
    assert line == "warning: inspections.at_joint, R1, R2, R3: not known; kept"


def test_a_word_in_the_data_never_joins_or_parts_causes():
    """Causes were told by their texts without quotes and figures: these two were one, or many."""
    findings = Findings()
    names = ["alder", "birch", "cedar"]
    odd = say_each("{name} is odd", name=names)
    findings.add("info", "trees", names, field="", seen=odd, done=say_each("as {x}", x=names))
    assert len(list_findings(findings.table())) == 2


def test_findings_are_shown_in_the_language_of_the_outputs(monkeypatch):
    words = catalogue.load_words("de")
    said = {
        ("", "{n} row is bad"): ("{n} Zeile ist falsch", "{n} Zeilen sind falsch"),
        ("", "kept"): ("behalten",),
        ("", "{x} m is too tall"): ("{x} m ist zu hoch",),
    }
    german = words.__class__(**{**vars(words), "messages": words.messages | said})
    monkeypatch.setattr(catalogue, "load_words", lambda _: german)
    lines = list_findings(told(), "de")
    assert "1 Zeile ist falsch" in lines[1]
    assert "behalten" in lines[1]
    assert "0,0 m ist zu hoch" in lines[2]


def test_rows_left_out_keep_why_in_both_forms():
    findings = Findings()
    why = say_each("{found} found", found=pd.Series(["line", "point"]))
    findings.leave_out("trees", ["T1", "T2"], why)
    gone = findings.left_out()
    assert gone["why"].tolist() == ["line found", "point found"]
    assert gone["why_words"].tolist() == [
        '["{found} found",{"found":"line"}]',
        '["{found} found",{"found":"point"}]',
    ]
