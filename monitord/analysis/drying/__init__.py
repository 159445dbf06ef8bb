"""The metric of a goal, and the progress towards it."""
