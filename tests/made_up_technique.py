"""A technique that does not exist, added to a copy of the package as the guide says."""

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pyogrio
from made_up_output import add_output
from sample_copy import SAMPLE, SampleCopy

import routekit

PACKAGE = Path(routekit.__file__).parent

CODE, NAME, PHRASE = "plaited_liner", "Plaited liner", "a plaited liner"
MARK = "M-5-1H5V1H-5Z"

RECORD = f'''    Technique(
        code="{CODE}",
        name="{NAME}",
        phrase="{PHRASE}",
        new_pipe="cured liner",
        checks="plaiting.list_checks",
        limits="lining",
        answers="any run",
        digs="nothing",
        joins="robot",
        lies="wall",
        keeps_shape=True,
        roots_return=True,
        needs_clear_bore=True,
        work="cured liner",
        sign=Sign(letter="P", mark="{MARK}", tone="within", width_px=5.0, dash=(2, 2)),
        seen="inside",
        told_as="inside",
        usual_days=(7, 8),
        days_for="manhole",
    ),
'''

CHECKS = '''"""Plaited liner."""

import pandas as pd

from routekit.methods.checks import Check, at_most
from routekit.methods.common import capacity, column, no_collapse
from routekit.methods.settings import LiningSettings


def list_checks(cases: pd.DataFrame, plan: pd.DataFrame, settings: LiningSettings) -> list[Check]:
    """List the checks of a plaited liner."""
    length = column(cases, "length_m")
    longest = at_most("Length of one plait", length, 400.0, unit="m", source="house")
    return [no_collapse(cases), longest, capacity(cases, plan)]
'''

FORCED = ("KD-01", "VS-07")
"""A run of an egg-shaped bore, and one among trees."""

LIFE = f"{CODE},a,40,50,60,life_practice,Service life of a plaited liner\n"


def list_touched(package: Path, add: Callable[[Path], None]) -> list[str]:
    """Add something to a copy of the package; give the files that were touched."""
    before = read_files(package)
    add(package)
    after = read_files(package)
    return sorted(name for name in after if after[name] != before.get(name))


def add_technique(package: Path) -> None:
    """Add the technique to a copy of the package."""
    records = package / "techniques.py"
    text = records.read_text(encoding="utf-8")
    first = '    Technique(\n        code="close_fit",\n'
    assert text.count(first) == 1
    records.write_text(text.replace(first, RECORD + first), encoding="utf-8")
    (package / "methods/plaiting.py").write_text(CHECKS, encoding="utf-8")
    with (package / "advice/tables/technique_life.csv").open("a", encoding="utf-8") as stream:
        stream.write(LIFE)


def read_files(package: Path) -> dict[str, bytes]:
    """Read every file of a package, by its name in it."""
    found = [path for path in package.rglob("*") if path.is_file() and path.suffix != ".pyc"]
    return {path.relative_to(package).as_posix(): path.read_bytes() for path in found}


def run_with_both(folder: Path) -> tuple[list[str], list[str]]:
    """Run the sample in `folder`/result with a new output, and the technique forced on two runs.

    Gives the files that the technique touched, and those that the output touched.
    """
    package = folder / "code/routekit"
    shutil.copytree(PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    touched = list_touched(package, add_technique), list_touched(package, add_output)
    study = SampleCopy(folder / "study")
    decisions = pyogrio.read_dataframe(SAMPLE / "district.gpkg", layer="decisions")
    for run in FORCED:
        decisions.loc[len(decisions)] = {
            "run_id": run,
            "decision": "force",
            "technique": CODE,
            "by": "designer",
            "reason": "a trial",
        }
    study.put("decisions", decisions)
    line = [sys.executable, "-m", "routekit", "screen", study.study, "--out", folder / "result"]
    done = subprocess.run(line, cwd=folder / "code", capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (folder / "said.txt").write_text(done.stdout, encoding="utf-8")
    return touched
