"""One measured job, in a process of its own: overlap, decisions with outputs, or results by area.

Run by hand: python tests/bench/whole.py overlap|gpkg|map|everything|areas folder. Prints the stages
as JSON: name, wall seconds, processor seconds, and the peak memory reached by its end.
"""

# ruff: noqa: PLC0415 - imports are part of what is measured

import json
import re
import resource
import sys
import time
from collections import Counter
from functools import partial
from pathlib import Path

import numpy as np

_began = time.perf_counter()


def _peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


class Clock:
    """Notes when each stage begins."""

    def __init__(self):
        self.stages = []
        self._begin("Importing", _began, 0.0)

    def tell(self, name):
        self._end()
        self._begin(str(name), time.perf_counter(), time.process_time())

    def _begin(self, name, wall_s, cpu_s):
        self.stages.append({"stage": name, "seconds": wall_s, "cpu_s": cpu_s})

    def _end(self):
        last = self.stages[-1]
        last["seconds"] = time.perf_counter() - last["seconds"]
        last["cpu_s"] = time.process_time() - last["cpu_s"]
        last["peak_mb"] = _peak_mb()

    def report(self, **facts):
        self._end()
        print(json.dumps({"stages": self.stages, **facts}))


def measure_overlap(folder, clock):
    """Read, draw zones, measure breaches, write the GeoPackage of runs, zones and breaches."""
    from routekit.layers.ground import add_ground
    from routekit.layers.read import read_layers
    from routekit.outputs.geopackage import write_layers
    from routekit.outputs.gis_layers import Layer
    from routekit.study import Study
    from routekit.trees.exposure import measure_exposure
    from routekit.trees.zones import build_zones

    study = Study.load(folder / "overlap.toml")
    clock.tell("Reading layers")
    layers = read_layers(study.settings, folder)
    runs, _ = add_ground(layers.runs, layers.manholes, terrain=None, inputs=study.settings)
    clock.tell("Drawing root zones")
    zones, _ = build_zones(
        layers.trees, layers.root_zones, settings=study.settings.zones, lists=layers.stems
    )
    clock.tell("Measuring breaches")
    exposure = measure_exposure(
        runs,
        layers.trees,
        zones,
        rules=study.settings.zones,
        trench=study.settings.trench,
        new_outside_mm=np.full(len(runs), np.nan),
    )
    clock.tell("Writing the GeoPackage")
    write_layers(
        _overlap_layers(Layer, runs, exposure),
        folder / "overlap.gpkg",
        crs=layers.crs.to_string(),
        settings=study.settings.outputs.geopackage,
    )
    clock.report(
        pairs=len(exposure.breaches), area_m2=float(exposure.breaches["footprint_m2"].sum())
    )


def _overlap_layers(layer, runs, exposure):
    breaches, trenches = exposure.breaches, exposure.trenches
    corridors = np.asarray(trenches["corridor"])
    return [
        layer(
            name="trenches",
            description="Trench of each run",
            table=runs[["run_id", "length_m"]],
            geometry_type="Polygon",
            shapes=corridors,
        ),
        layer(
            name="breaches",
            description="Overlap by run and tree",
            table=breaches.drop(columns=["run", "tree"]),
        ),
    ]


def measure_everything(folder, clock, only=()):
    """Run the study and write every output, or those that are named."""
    from routekit.outputs.write import write_outputs
    from routekit.pipeline import run_study
    from routekit.study import Study

    study = Study.load(folder / "study.toml")
    result = run_study(study, tell=clock.tell)
    written, _ = write_outputs(result, folder / "out", tell=clock.tell, only=only)
    clock.report(
        pairs=len(result.breaches),
        strings=len(result.strings),
        pits=len(result.pits),
        digs=len(result.digs),
        outputs=list(written),
        **_weigh_files(folder / "out"),
        recommended=result.advice["technique"].astype(str).value_counts().to_dict(),
    )


def measure_areas(folder, clock):
    """Run the study in parts of some 2,000 runs, one after the other, and write them by area."""
    from routekit.parts.run import run_by_areas
    from routekit.study import Study

    study = Study.load(folder / "study.toml")
    (folder / "areas").mkdir(exist_ok=True)
    n_parts = -(-int(study.settings.study.name.split()[-2]) // RUNS_OF_A_PART)
    result, _, _ = run_by_areas(
        study, folder / "areas.parts", folder / "areas", parts=n_parts, tell=clock.tell
    )
    clock.report(
        parts=n_parts,
        pairs=len(result.breaches),
        kept_mb=_weigh_files(folder / "areas.parts")["output_mb"],
        **_weigh_files(folder / "areas"),
        recommended=result.advice["technique"].astype(str).value_counts().to_dict(),
    )


RUNS_OF_A_PART = 2000


def _weigh_files(folder):
    """Size of the files of a folder by name, MB; those of areas and pages of one kind together."""
    sizes = Counter()
    for path in folder.rglob("*"):
        if path.is_file():
            name = re.sub(r"-\d+", "-*", str(path.relative_to(folder)))
            sizes["tables/" if name.startswith("tables/") else name] += path.stat().st_size / 1e6
    return {
        "files_mb": {name: round(size, 2) for name, size in sorted(sizes.items())},
        "output_mb": sum(sizes.values()),
    }


if __name__ == "__main__":
    job = {
        "overlap": measure_overlap,
        "gpkg": partial(measure_everything, only=("gpkg",)),
        "areas": measure_areas,
        "map": partial(measure_everything, only=("gpkg", "map")),
        "everything": measure_everything,
    }[sys.argv[1]]
    job(Path(sys.argv[2]), Clock())
