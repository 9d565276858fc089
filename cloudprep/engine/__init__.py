"""The engine: reads a site, runs the stages on blocks, writes what came of it."""
