"""The scripts of the pages: names, types and rules, by the tools of the trade.

The tools are packages of npm, found through `ROUTEKIT_NODE_MODULES`, the folder they are installed
in. Each page is looked at as a whole, since its scripts are joined into one.
"""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

import routekit
from routekit.outputs.map.builder import SCRIPTS
from routekit.outputs.map.writer import INDEX_SCRIPTS as MAP_INDEX_SCRIPTS
from routekit.outputs.public.builder import (
    INDEX_SCRIPTS,
    OWN_SCRIPTS,
    PART_SCRIPTS,
    SHARED_SCRIPTS,
)

OUTPUTS = Path(routekit.__file__).parent / "outputs"
MAP, PUBLIC = OUTPUTS / "map/script", OUTPUTS / "public/script"
SAY = Path(routekit.__file__).parent / "words/script/say.js"
BESIDE = Path(__file__).parent / "scripts"
MODULES = os.environ.get("ROUTEKIT_NODE_MODULES", "")
PAGES = {
    "map": [SAY if name == SAY.name else MAP / name for name in SCRIPTS],
    "map_index": [SAY if name == SAY.name else MAP / name for name in MAP_INDEX_SCRIPTS],
    "public": [MAP / name for name in SHARED_SCRIPTS] + [PUBLIC / name for name in OWN_SCRIPTS],
    "part": [MAP / name for name in SHARED_SCRIPTS] + [PUBLIC / name for name in PART_SCRIPTS],
    "index": [MAP / "inflate.js"] + [PUBLIC / name for name in INDEX_SCRIPTS],
}
DECLARED = {"index": ["page.d.ts", "index.d.ts"]}
STRICT = [
    "--noEmit",
    "--allowJs",
    "--checkJs",
    "--target",
    "es2022",
    "--lib",
    "es2023,dom,dom.iterable",
    "--skipDefaultLibCheck",
    "--strict",
    "--noImplicitAny",
    "false",
    "--noImplicitReturns",
    "--noUnusedLocals",
    "--noUnusedParameters",
    "--noFallthroughCasesInSwitch",
]
"""Strict in all but the types of parameters, which are written only where they are not plain."""

needs_node = [
    pytest.mark.needs_system,
    pytest.mark.skipif(
        not MODULES or shutil.which("node") is None,
        reason="node is not there, or ROUTEKIT_NODE_MODULES names no folder of packages",
    ),
]


def run_node(folder, tool, *words):
    """Run a tool of the packages in a folder and give what it says and how it ended."""
    done = subprocess.run(
        ["node", str(Path(MODULES) / tool), *map(str, words)],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


def check_types(folder, page, scripts):
    """Check the types of the scripts of a page."""
    declared = [BESIDE / name for name in DECLARED.get(page, ["page.d.ts"])]
    return run_node(folder, "typescript/bin/tsc", *STRICT, *declared, *scripts)


def lint(folder, page, text):
    """Lint the joined script of a page."""
    shutil.copy(BESIDE / "eslint.config.mjs", folder)
    (folder / f"{page}.js").write_text(text, encoding="utf-8")
    return run_node(folder, "eslint/bin/eslint.js", f"{page}.js")


def join(page):
    """Join the scripts of a page."""
    return "\n".join(path.read_text(encoding="utf-8") for path in PAGES[page])


def test_every_script_is_on_a_page():
    there = {path for folder in (MAP, PUBLIC, SAY.parent) for path in folder.glob("*.js")}
    assert there == {path for scripts in PAGES.values() for path in scripts}


@pytest.mark.parametrize("page", PAGES)
def test_elements_that_a_script_asks_for_by_name_are_made_somewhere(page):
    """`byId` gives what it finds without a question, so that what it is asked for must be there."""
    script = join(page)
    asked = set(re.findall(r'byId\("([^"]+)"\)', script))
    folder = OUTPUTS / ("map/page" if page.startswith("map") else "public")
    pages = "".join(path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.[hj]*")))
    made = set(re.findall(r'\bid="([^"{]+)"', pages)) | set(re.findall(r'\bid: "([^"]+)"', script))
    made |= {f"page-{name}" for name in re.findall(r"^  (\w+): ", script, re.MULTILINE)}
    assert asked
    assert asked <= made


@pytest.mark.parametrize("page", ["map", "map_index"])
def test_no_message_stands_where_the_catalogues_cannot_find_it(page):
    """The reader of scripts passes over what stands within a text between backquotes."""
    script = join(page)
    hidden = re.findall(r"`[^`]*\$\{[^`{}]*\bsay(?:Many)?\(\"[^`]*`", script)
    spoken = re.findall(r"\bsay(?:Many)?\((?!\")[^)]", script)
    assert hidden == []
    assert spoken == []


class TestWithNode:
    """By the tools themselves."""

    pytestmark = needs_node

    @pytest.mark.parametrize("page", PAGES)
    def test_types_are_sound(self, page, tmp_path):
        code, said = check_types(tmp_path, page, PAGES[page])
        assert code == 0, said

    @pytest.mark.parametrize("page", PAGES)
    def test_linter_finds_nothing(self, page, tmp_path):
        code, said = lint(tmp_path, page, join(page))
        assert code == 0, said

    def test_a_wrong_script_is_noticed(self, tmp_path):
        """No such function, no such method, an element that may not be there: each by its line."""
        spoilt = [
            "function spoilt() { return runCards(1); }",
            "const spoiltToo = percent(0.5).toFixd(1);",
            'const spoiltAsWell = document.querySelector("p").textContent;',
        ]
        (tmp_path / "spoilt.js").write_text("\n".join(spoilt), encoding="utf-8")
        code, said = check_types(tmp_path, "map", [*PAGES["map"], tmp_path / "spoilt.js"])
        assert code != 0
        told = dict(re.findall(r"spoilt\.js\((\d+),\d+\): error (TS\d+)", said))
        assert told["2"] == "TS2339"
        assert told["3"] == "TS2531"
        assert "TS2552" in re.findall(r"spoilt\.js\(1,\d+\): error (TS\d+)", said)

    def test_a_bad_habit_is_noticed(self, tmp_path):
        """Markup from data, a loose comparison, a name that nobody reads: each by its line."""
        spoilt = {
            'byId("parts").innerHTML = study.meta.name;': "no-restricted-properties",
            "if (study.n == 1) openSheet();": "eqeqeq",
            "const nobodyReadsThis = 1;": "no-unused-vars",
        }
        sound = join("map")
        code, said = lint(tmp_path, "map", "\n".join([sound, *spoilt]))
        assert code != 0
        told = re.findall(r"^\s*(\d+):\d+\s+error\s.*\s(\S+)$", said, re.MULTILINE)
        first = len(sound.split("\n")) + 1
        assert told == [(str(first + n), rule) for n, rule in enumerate(spoilt.values())]
