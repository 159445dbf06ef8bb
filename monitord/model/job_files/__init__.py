"""Job files: reading them, what is wrong in them, an example with fresh dates, changes from site."""
