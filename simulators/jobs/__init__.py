"""Simulated jobs with known truth: families, sampling of their parameters, files for replay."""
