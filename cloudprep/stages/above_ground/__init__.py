"""Above ground: heights over the terrain, and classes by them."""
