"""The stages: one folder a kind, one file an algorithm, each thin: it names columns and calls kernels."""
