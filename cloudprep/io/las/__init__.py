"""LAS and LAZ: checked reading, and writing by patching the source."""
