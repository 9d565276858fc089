"""Many runs: batches, watched folders, their ledger, and what differs between two."""
