"""The papers say what is so: tables, commands, and the examples in the code."""

import ast
import doctest
import inspect
import re
import tomllib
from importlib import import_module
from pathlib import Path

import pytest
from test_imports import NAMES, PACKAGE

import routekit
from routekit import Result, cli
from routekit.outputs.output_files import RESULT_FILES
from routekit.schema import load_tables
from routekit.study import parse_settings

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_developers_are_sent_to_the_schema_and_no_second_list_of_columns_stands():
    part = DEVELOPERS.split("## Table contracts")[1].split("\n## ")[0]
    assert "`routekit check --columns --result`" in part
    assert "routekit/result_columns.csv" in part
    named = {
        field.name
        for table in load_tables().values()
        for field in table.fields.values()
        if "_" in field.name and field.unit
    }
    assert not named & set(re.findall(r"\w+", part))


def test_files_of_the_readme_are_those_of_a_result():
    part = README.split("## What comes out")[1].split("\n\n")[1]
    rows = [row.split("|")[1] for row in part.splitlines()[2:]]
    assert sorted(re.findall(r"`([^`]+)`", " ".join(rows))) == sorted(RESULT_FILES)


def test_commands_of_the_readme_exist():
    named = set(re.findall(r"routekit ([a-z-]+)\b", " ".join(re.findall(r"[`/][^`\n]*", README))))
    assert set(cli.main.commands) == named & set(cli.main.commands)
    called = re.findall(r"(?:`|bin/)routekit ([a-z][a-z-]+)", README)
    assert set(called) == set(cli.main.commands)


def test_options_of_the_readme_exist():
    known = {option for c in cli.main.commands.values() for p in c.params for option in p.opts}
    assert set(re.findall(r"`(--[a-z]+)`", README)) <= known


def test_study_file_of_the_readme_is_one():
    blocks = re.findall(r"```toml\n(.*?)```", README, flags=re.DOTALL)
    assert blocks
    for block in blocks:
        settings = parse_settings(tomllib.loads(block), file="README.md")
        assert settings.layers.sewers is not None


def test_python_of_the_readme_uses_what_there_is():
    blocks = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    assert blocks
    for block in blocks:
        compile(block, "README.md", "exec")
        for names in re.findall(r"from routekit import (.*)", block):
            module = import_module("routekit")
            assert all(hasattr(module, name.strip()) for name in names.split(","))
        for table in re.findall(r"result\.(\w+)", block):
            assert table in Result.__dataclass_fields__


@pytest.mark.parametrize("paper", ["README.md", "DEVELOPERS.md"])
def test_links_of_a_paper_lead_to_files(paper):
    text = (ROOT / paper).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / target).exists(), target


def test_files_that_the_developers_are_sent_to_exist():
    for name in re.findall(r"`(routekit/[\w/.]+)`", DEVELOPERS):
        assert (ROOT / name).exists(), name


@pytest.mark.parametrize("name", sorted(NAMES - {"__main__"}))
def test_examples_in_the_code_give_what_they_say(name):
    module = import_module("routekit" if name == "__init__" else f"routekit.{name}")
    failed, _ = doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert failed == 0


def test_every_module_says_what_it_is_for():
    for path in sorted(PACKAGE.rglob("*.py")):
        text = path.read_text(encoding="utf-8").strip()
        assert not text or text.startswith('"""'), path


WHOLE_STUDY = {
    "plan_care",
    "keep_record",
    "draw_conclusions",
    "add_ground",
    "build_flow",
    "choose_renewal",
    "find_diversions",
    "find_needs",
    "link_roots",
    "balance_works",
    "conclude",
    "judge_runs",
    "lose_everywhere",
    "rate_runs",
    "lay_open_lines",
    "make_programme",
    "read_layers",
    "set_out_renewal",
    "tabulate_stems",
    "tell_sureness",
}
"""Stages that take layers of a whole study: an example would be longer than it is of use."""

RAISES_NOTHING = {
    "at_work",
    "caution_lessons",
    "balance_works",
    "choice_settings",
    "choose_renewal",
    "compare_ways",
    "draw_new_lines",
    "conclude",
    "describe_stems",
    "draw_conclusions",
    "draw_dug",
    "find_alerts",
    "find_connections",
    "find_diversions",
    "find_nearest_runs",
    "find_needs",
    "find_neutral_rates",
    "find_public_trees",
    "find_tree_decisions",
    "judge_outcomes",
    "judge_runs",
    "keep_record",
    "lay_lines",
    "list_crossings",
    "list_inputs",
    "list_rules_in_force",
    "list_surveys",
    "lose_everywhere",
    "make_programme",
    "mark_beyond",
    "mark_origin",
    "mark_trenches",
    "match_packages",
    "measure_chainages",
    "measure_parking",
    "plan_care",
    "rate_runs",
    "report_loose",
    "report_elsewhere",
    "set_out_renewal",
    "report_unplaced",
    "review_photo",
    "review_tree_photos",
    "set_out_protection",
    "tabulate_stems",
    "tell_manhole_plant",
    "tell_sureness",
    "used_sources",
    "write_basis",
    "name_places",
}
"""Stages without an error of their own."""


def list_public_functions():
    """Functions of the API and stages that the pipeline calls, by name."""
    pipeline = import_module("routekit.pipeline")
    tree = ast.parse((PACKAGE / "pipeline.py").read_text(encoding="utf-8"))
    names = {
        node.func.id
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    found = {name: getattr(pipeline, name, None) for name in names if not name.startswith("_")}
    found |= {name: getattr(routekit, name) for name in routekit.__all__}
    found["Study.load"] = routekit.Study.load
    mine = {name: each for name, each in found.items() if inspect.isroutine(each)}
    return {name: each for name, each in mine.items() if each.__module__.startswith("routekit")}


@pytest.mark.parametrize("name", sorted(list_public_functions()))
def test_public_function_says_what_it_raises_and_shows_an_example(name):
    words = inspect.getdoc(list_public_functions()[name])
    assert ("\nRaises\n------\n" in words) == (name not in RAISES_NOTHING)
    example = words.partition("\nExamples\n--------\n")[2]
    assert (">>> " in example) == (name not in WHOLE_STUDY)
