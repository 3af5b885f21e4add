"""What a study leaves behind: GeoPackage, pages, schedule, report, comparison."""
