"""An output that does not exist, added to a copy of the package as the guide says."""

from pathlib import Path

NAME, LABEL = "losses.csv", "what each tree loses"

RECORD = f'''    Output(
        name="losses",
        files=(ResultFile(name="{NAME}", label=message("{LABEL}"), read=read_words),),
        telling="Listing what each tree loses",
        write="losses.write_losses",
    ),
'''

WRITER = '''"""What each tree loses by the recommended works, as plain text."""

from pathlib import Path

from routekit.outputs.atomic import replacing_file
from routekit.outputs.result_ids import PROPERTY
from routekit.result import Result


def write_losses(result: Result, path: Path) -> None:
    """Write a row for each touched tree."""
    balance = result.tree_balance
    touched = balance.loc[balance["is_touched"], ["tree_id", "severity"]]
    with replacing_file(path) as fresh:
        lines = [f"# {PROPERTY} {result.result_id}", *map(",".join, touched.astype(str).to_numpy())]
        fresh.write_text("\\n".join(lines), encoding="utf-8")
'''


def add_output(package: Path) -> None:
    """Add the output to a copy of the package: its record, and its module."""
    table = package / "outputs/output_files.py"
    text = table.read_text(encoding="utf-8")
    last = "    # Last, so that nothing drawn"
    assert text.count(last) == 1
    table.write_text(text.replace(last, RECORD + last), encoding="utf-8")
    (package / "outputs/losses.py").write_text(WRITER, encoding="utf-8")
