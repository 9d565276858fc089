"""Ground: bare earth told apart from everything that stands on it."""
