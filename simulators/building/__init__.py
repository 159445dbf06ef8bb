"""A wet building that dries: air, rooms, enclosed spaces, slabs, weather."""
