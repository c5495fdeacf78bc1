"""Ground floor: three-valued truth, facts with their sources, ranges, and what would settle them."""
