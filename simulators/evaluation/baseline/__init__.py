"""The baseline: what a careful spreadsheet would say of the same readings."""
