"""Gates: how a run is judged, and how that is told to machines and people."""
