"""The arborist's report: one sheet per tree, to print, check on site and sign."""
