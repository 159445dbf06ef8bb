"""Work on site: placing probes, rounds of spot readings, the form of a new job."""
