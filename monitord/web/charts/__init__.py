"""The charts of the pages: which series, bands and marks each one shows."""
