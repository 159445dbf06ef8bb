"""What the readings mean: pure functions from time series to an assessment, as of a time."""
