"""Holds what the program says of simulated jobs against what is true, beside a plain baseline. See SCORING.md."""
