"""Is a slab or element ready? A module for each criterion, and one verdict, from measured values and no forecast."""
