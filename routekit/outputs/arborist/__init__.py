"""The arborist's report: one sheet per tree, to print, check on site and sign."""

from routekit.outputs.arborist.report import ReportSettings, write_tree_report

__all__ = ["ReportSettings", "write_tree_report"]
