"""Charts over time as SVG: the same picture for the page, for print and for a report.

Pure: arrays in, text out. A drawing carries no colour of its own; the style sheet around it gives it those.
"""
