"""Time and memory of routekit beside a stock GeoPandas script, in one run on one machine.

Run by hand: python tests/bench/bench.py 1000 10000 100000. For each number of runs a district is
made (three trees a run), then each job runs in a fresh process: the stock script (overlap only;
`stock.py` stands frozen, or ratios of different days do not compare), routekit's overlap only,
routekit's decisions with the GeoPackage, the same in parts with results by area, with GeoPackage
and map, and routekit with everything. The stages and files of
each follow, and at the end a table of sizes. The peak is that of the whole process, interpreter and
imports included. Stages of outputs that are written side by side share processors: what one shows
is the processor time of all that ran meanwhile.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
OVERLAP_LAYERS = ("sewers", "manholes", "trees", "root_zones")
JOBS = ("stock", "overlap", "gpkg", "areas", "map", "everything")


def run_job(job, folder):
    """Run one job in a fresh process: seconds, processor seconds, peak MB, what it printed."""
    script = ["stock.py"] if job == "stock" else ["whole.py", job]
    command = [sys.executable, str(HERE / script[0]), *script[1:], str(folder)]
    environment = os.environ | {"PYTHONPATH": str(HERE.parents[1])}
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    with process.stdout:
        printed = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{job} failed with exit code {process.returncode}")
    return {
        "wall_s": time.perf_counter() - began,
        "cpu_s": usage.ru_utime + usage.ru_stime,
        "peak_mb": usage.ru_maxrss / 1024,
        "printed": printed.strip().splitlines()[-1],
    }


def prepare(count, folder):
    """Write the district, and a second study file with the layers of the overlap only."""
    # In a process of its own: a child's peak memory starts at what its parent once held.
    subprocess.run(
        [sys.executable, str(HERE / "generated_town.py"), str(count), str(folder)], check=True
    )
    study = folder / "study.toml"
    kept = [
        line
        for line in study.read_text().splitlines()
        if "district.gpkg:" not in line or line.split(" ")[0] in OVERLAP_LAYERS
    ]
    (folder / "overlap.toml").write_text("\n".join(kept) + "\n")


def compare(count, repeats, jobs, folder):
    """Run the jobs in turn; the fastest of the repeats counts."""
    prepare(count, folder)
    best = {}
    for _ in range(repeats):
        for job in jobs:
            now = run_job(job, folder)
            if job not in best or now["wall_s"] < best[job]["wall_s"]:
                best[job] = now
    return best


def show(count, best):
    """Print one line per job, with its ratio to the stock script, and the stages."""
    stock = best.get("stock")
    print(f"\n{count} runs, {3 * count} trees (load {os.getloadavg()[0]:.1f})")
    for job, found in best.items():
        spent = f"{found['wall_s']:8.1f} s wall {found['cpu_s']:8.1f} s processor"
        line = f"  {job:11s} {spent} {found['peak_mb']:7.0f} MB"
        if stock and job != "stock":
            line += "   " + ", ".join(
                f"{found[key] / stock[key]:.2f} x {name}"
                for key, name in (("wall_s", "wall"), ("cpu_s", "processor"), ("peak_mb", "memory"))
            )
        print(line)
        if job == "stock":
            print(f"      {found['printed']}")
            continue
        facts = json.loads(found["printed"])
        for stage in facts.pop("stages"):
            share = stage["seconds"] / found["wall_s"]
            print(
                f"      {stage['stage']:38s}{stage['seconds']:8.2f} s {share:5.0%}"
                f" {stage['cpu_s']:8.2f} s processor {stage['peak_mb']:7.0f} MB"
            )
        for name, size_mb in facts.pop("files_mb", {}).items():
            print(f"      {name:38s}{size_mb:8.2f} MB")
        print(f"      {facts}", flush=True)


def show_sizes(found):
    """Print the table of all sizes: each job, and its ratio to the stock script of that size."""
    ratios = " ".join(f"{name:>9s}" for name in ("cpu/stock", "MB/stock"))
    print(
        f"\n{'runs':>9s} {'job':11s} {'wall s':>9s} {'cpu s':>9s} {'peak MB':>8s} {ratios}"
        f" {'cpu ms/run':>10s} {'kB/run':>7s} {'files MB':>9s}"
    )
    for count, best in found.items():
        for job, one in best.items():
            ratios = (
                one[key] / best["stock"][key] if "stock" in best else float("nan")
                for key in ("cpu_s", "peak_mb")
            )
            facts = {} if job == "stock" else json.loads(one["printed"])
            print(
                f"{count:9d} {job:11s} {one['wall_s']:9.1f} {one['cpu_s']:9.1f}"
                f" {one['peak_mb']:8.0f} {' '.join(f'{ratio:9.2f}' for ratio in ratios)}"
                f" {1000 * one['cpu_s'] / count:10.2f} {1000 * one['peak_mb'] / count:7.0f}"
                f" {facts.get('output_mb', float('nan')):9.1f}"
            )


def main():
    """Read the command line and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("counts", nargs="*", type=int, default=[172, 1000, 10_000])
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--jobs", nargs="+", choices=JOBS, default=JOBS)
    parser.add_argument("--folder", type=Path, help="kept; a temporary one if not given")
    args = parser.parse_args()
    found = {}
    for count in args.counts:
        with tempfile.TemporaryDirectory() as temporary:
            folder = args.folder / str(count) if args.folder else Path(temporary)
            found[count] = compare(count, args.repeats, args.jobs, folder)
        show(count, found[count])
    show_sizes(found)


if __name__ == "__main__":
    main()
