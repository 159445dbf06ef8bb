"""Writes one simulated job as a folder for replay, with its truth."""

from simulators.jobs.generate import main

main()
