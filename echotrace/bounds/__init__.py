"""How well an echo's delay can be known at all, and how near each picker comes to it."""
