"""Imports run one way: nothing upstream knows anything downstream."""

import ast
import json
import subprocess
import sys
from importlib import import_module
from importlib.metadata import version
from pathlib import Path

import pytest

import routekit
from routekit.outputs.output_files import OUTPUTS

sys.path.append(str(Path(__file__).parent / "layers"))
from small_district import District

PACKAGE = Path(routekit.__file__).parent
ORDER = (
    "errors",
    "memory",
    "words",
    "vocabulary",
    "techniques",
    "arrays",
    "geometry",
    "alignment",
    "schema",
    "settings",
    "layers",
    "pipes",
    "trees",
    "site",
    "methods",
    "advice",
    "sureness",
    "programme",
    "record",
    "study",
    "result",
    "outputs",
    "pipeline",
    "parts",
    "terminal",
    "cli",
    "__main__",
    "__init__",
)
"""Modules and folders at the top of the package; each may import those before it."""


def list_modules():
    """Dotted name within the package and path of every module."""
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        yield name.removesuffix(".__init__"), path


NAMES = {name for name, _ in list_modules()}


def imports_of(path):
    """Modules of the package that a module imports, wherever in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            assert not any(each.name.split(".")[0] == "routekit" for each in node.names), path
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            if (node.module or "").split(".")[0] == "routekit":
                home = node.module.removeprefix("routekit").removeprefix(".")
                for each in node.names:
                    inner = f"{home}.{each.name}".removeprefix(".")
                    yield inner if inner in NAMES else home


def top(name):
    """The module or folder at the top of the package."""
    return name.split(".")[0]


EDGES = sorted({(name, used) for name, path in list_modules() for used in imports_of(path)})


def test_the_order_names_every_module_and_nothing_else():
    assert {top(name) for name in NAMES} == set(ORDER)
    assert len(EDGES) > 200


@pytest.mark.parametrize("part", ORDER)
def test_nothing_is_imported_from_further_down(part):
    against = {
        (name, used)
        for name, used in EDGES
        if top(name) == part and ORDER.index(top(used)) > ORDER.index(part)
    }
    assert against == set()


def test_modules_import_each_other_in_no_circle():
    left = {name: {used for user, used in EDGES if user == name} - {name} for name in NAMES}
    while free := {name for name, needs in left.items() if not needs & left.keys()}:
        left = {name: needs for name, needs in left.items() if name not in free}
    assert left == {}


def test_kernels_of_the_stages_do_not_print_or_read_the_clock():
    for name, path in list_modules():
        if top(name) in ("layers", "trees", "pipes", "methods", "site", "advice"):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            called = {
                node.func.id
                for node in ast.walk(tree)
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
            }
            imported = {
                each.name
                for node in ast.walk(tree)
                if isinstance(node, ast.Import | ast.ImportFrom)
                for each in node.names
            }
            assert not called & {"print", "input"}, name
            assert not imported & {"time", "datetime", "random"}, name


def test_public_names_are_what_they_say():
    for name, home in routekit._HOMES.items():
        assert getattr(routekit, name) is getattr(import_module(home), name)
    assert set(routekit.__all__) == {*routekit._HOMES, "__version__"} == set(dir(routekit))
    assert routekit.__version__ == version("routekit")
    with pytest.raises(AttributeError, match="no attribute 'frob'"):
        _ = routekit.frob


def test_importing_the_package_loads_nothing_heavy():
    script = "import json, sys, routekit; print(json.dumps(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True)
    loaded = set(json.loads(done.stdout))
    assert "routekit" in loaded
    assert not loaded & {"pandas", "numpy", "shapely", "geopandas", "pydantic", "click", "rich"}


def list_loaded(*call):
    """Call the command line in a process of its own; give every module that it loaded."""
    script = (
        "import atexit, sys\n"
        "from routekit.cli import main\n"
        "atexit.register(lambda: print(*sys.modules, file=sys.stderr))\n"
        "main(sys.argv[1:])"
    )
    command = [sys.executable, "-c", script, *call]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return set(done.stderr.split())


def test_help_loads_no_tables():
    loaded = list_loaded("screen", "--help")
    assert "routekit.cli" in loaded
    assert not loaded & {"pandas", "pyarrow", "shapely", "geopandas", "pydantic", "scipy"}
    outputs = {name for name in loaded if name.startswith("routekit.outputs.")}
    assert outputs <= {"routekit.outputs.steps"}


def test_check_loads_no_writer(tmp_path):
    study = tmp_path / "study.toml"
    District(tmp_path)
    names = ("sewers", "manholes", "trees")
    layers = "\n".join(f'{name} = "{name}.gpkg"' for name in names)
    study.write_text(f'[study]\nname = "Three runs"\n[layers]\n{layers}\n', encoding="utf-8")
    loaded = list_loaded("check", str(study))
    assert "routekit.pipeline" in loaded
    assert not loaded & {"typst", "xlsxwriter", "folium", "jinja2", "fontTools"}
    writers = {f"routekit.outputs.{output.write.rpartition('.')[0]}" for output in OUTPUTS}
    assert not loaded & writers


def test_a_geopackage_alone_loads_nothing_that_draws_or_prints(tmp_path):
    study = tmp_path / "study.toml"
    District(tmp_path)
    layers = "\n".join(f'{name} = "{name}.gpkg"' for name in ("sewers", "manholes", "trees"))
    study.write_text(f'[study]\nname = "Three runs"\n[layers]\n{layers}\n', encoding="utf-8")
    loaded = list_loaded("screen", str(study), "--only", "gpkg")
    assert "routekit.outputs.geopackage" in loaded
    assert not loaded & {"typst", "xlsxwriter", "folium", "jinja2", "fontTools"}
