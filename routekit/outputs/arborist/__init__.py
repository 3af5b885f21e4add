"""The arborist's report: one sheet per tree, to print, check on site and sign."""

from routekit.outputs.arborist.writer import write_tree_report
from routekit.settings.outputs import ReportSettings

__all__ = ["ReportSettings", "write_tree_report"]
