"""Slab sleeves: one weighted ensemble of drying slabs, marched on day by day, that every verdict is a question to."""
