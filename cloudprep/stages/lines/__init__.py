"""Lines, spot heights and thinned triangles made of terrain models."""
