"""What the two git repositories prove, and the questions that are asked of it; the ledger is no part of it."""
