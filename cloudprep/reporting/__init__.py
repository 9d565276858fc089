"""The report of a run: one page that needs nothing else."""
