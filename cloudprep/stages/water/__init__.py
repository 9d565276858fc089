"""Water: levels from banks, labels of points, flat water in the terrain, proposals of where water is."""
