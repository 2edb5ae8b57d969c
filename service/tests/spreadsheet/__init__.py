"""A test sheet as a workbook or a table that is filled in by hand, both ways."""
