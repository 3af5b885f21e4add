"""An office suite, which works out the formulas of workbooks."""

import subprocess
from pathlib import Path


def save_again(folder: Path, *books: Path) -> None:
    """Open workbooks in the office suite and save them into a folder under the same names."""
    subprocess.run(
        [
            "soffice",
            f"-env:UserInstallation=file://{folder}/profile",
            "--headless",
            "--convert-to",
            "xlsx:Calc MS Excel 2007 XML",
            "--outdir",
            folder,
            *books,
        ],
        check=True,
        capture_output=True,
        timeout=180,
    )
