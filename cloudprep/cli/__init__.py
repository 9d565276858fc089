"""The command line: parse, call, map errors to exit codes; nothing else."""
