"""A copy of the sample district that a test may spoil, and the command line run on it."""

import json
import shutil
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
from click.testing import CliRunner, Result

from routekit.cli import main

SAMPLE = Path(__file__).parents[1] / "sample_gis"


def copy_sample(folder: Path) -> Path:
    """Copy layers and study file; give the path of the study file."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("district.gpkg", "terrain.tif", "canopy.tif", "built.gpkg", "study.toml"):
        shutil.copyfile(SAMPLE / name, folder / name)
    return folder / "study.toml"


def call(*words: object) -> Result:
    """Run the command line in this process."""
    return CliRunner().invoke(main, [str(word) for word in words])


class SampleCopy:
    """A study on copied layers, with earlier results beside it."""

    def __init__(self, folder: Path) -> None:
        self.study = copy_sample(folder)
        self.folder = folder
        self.out = folder / "result"
        self.out.mkdir()
        (self.out / "map.html").write_text("earlier map", encoding="utf-8")
        (self.out / "result.gpkg").write_bytes(b"earlier result")

    def read(self, layer: str) -> gpd.GeoDataFrame:
        """Read a layer as the sample has it."""
        return pyogrio.read_dataframe(self.folder / "district.gpkg", layer=layer)

    def put(self, layer: str, table: pd.DataFrame, name: str = "", **options: object) -> None:
        """Write a layer to a file of its own and let the study read that."""
        file = name or f"{layer}.gpkg"
        pyogrio.write_dataframe(table, self.folder / file, layer=layer, **options)
        self.replace(f'{layer} = "district.gpkg:{layer}"', f'{layer} = "{file}"')

    def replace(self, old: str, new: str) -> None:
        """Change a line of the study file."""
        text = self.study.read_text(encoding="utf-8")
        assert text.count(old) == 1, old
        self.study.write_text(text.replace(old, new), encoding="utf-8")

    def say(self, text: str) -> None:
        """Add lines to the study file."""
        with self.study.open("a", encoding="utf-8") as stream:
            stream.write(f"\n{text}\n")

    def refuse(self, exit_code: int, *parts: str, command: str = "screen") -> str:
        """Run the job: it must be refused with one message, and leave the earlier results."""
        answer = call(command, self.study)
        assert answer.exit_code == exit_code, answer.output
        assert answer.stdout == ""
        assert answer.stderr.startswith("routekit: ")
        assert "Traceback" not in answer.output
        assert not Path("routekit-defect.txt").exists()
        for part in parts:
            assert part in answer.stderr, (part, answer.stderr)
        self.assert_untouched()
        return answer.stderr

    def assert_untouched(self) -> None:
        """The earlier results are as they were, and nothing lies beside them."""
        assert sorted(path.name for path in self.out.iterdir()) == ["map.html", "result.gpkg"]
        assert (self.out / "map.html").read_text(encoding="utf-8") == "earlier map"
        assert (self.out / "result.gpkg").read_bytes() == b"earlier result"

    def check(self) -> dict[str, pd.DataFrame]:
        """Run the check and give its tables."""
        answer = call("check", self.study, "--json")
        assert answer.exit_code == 0, answer.output
        report = json.loads(answer.stdout)
        return {name: pd.DataFrame(rows) for name, rows in report.items() if name != "crs"}


def pick(findings: pd.DataFrame, **wanted: str) -> pd.DataFrame:
    """Findings whose columns hold the wanted texts."""
    for column, text in wanted.items():
        findings = findings[findings[column].str.contains(text, regex=False)]
    return findings
