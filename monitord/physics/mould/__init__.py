"""The VTT mould growth model: classes of materials, criteria, and the index over time."""
