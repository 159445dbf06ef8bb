"""Sleeves in slabs: fit of the equilibrium, equilibration, depths, moisture supply from below."""
